"""A statement as a page to print and file: self-contained HTML for A4, without scripts, readable without colour."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.accounts.rates import Bill
from pagereeve.domain.ledger import Charge
from pagereeve.queries.statement_lines import Line, Statement
from pagereeve.reports.as_closed import as_closed_lines
from pagereeve.reports.costs import channel_pages_text
from pagereeve.reports.seal import head_line
from pagereeve.reports.sentences import GRADES
from pagereeve.reports.statements.account import account_of
from pagereeve.reports.statements.charts import chart_svg
from pagereeve.reports.statements.decided import HEADING, decided_section
from pagereeve.reports.statements.markup import HEADINGS, name, numbers, row, table_of, text
from pagereeve.reports.statements.words import (
    ADJUSTMENTS,
    ADJUSTMENTS_SAY,
    CAUTIONS,
    FIGURES,
    KINDS,
    LATE,
    NOT_JUDGED,
    channel_words,
    correction_words,
    figure,
    grade_words,
    summary_of,
    title_of,
    verdict_words,
    when_of,
    why_of,
)

STYLE: Final = """
@page { size: A4; margin: 14mm 14mm; }
body { font: 9pt/1.35 "DejaVu Sans", "Liberation Sans", Arial, sans-serif; color: #111; }
body { margin: 0 auto; max-width: 182mm; padding: 6mm 0; }
@media print { body { padding: 0; } }
h1 { font-size: 15pt; margin: 0 0 1mm; }
h2 { font-size: 10.5pt; margin: 5mm 0 1.5mm; border-bottom: 0.3mm solid #777; break-after: avoid; }
h3 { font-size: 9pt; margin: 2mm 0 0; font-weight: normal; }
p { margin: 0 0 2mm; }
.sum { font-size: 11pt; font-weight: bold; border: 0.4mm solid #111; padding: 2mm 3mm; margin: 3mm 0; }
.small { font-size: 8pt; color: #333; }
table { border-collapse: collapse; width: 100%; }
thead { display: table-header-group; }
th, td { text-align: left; vertical-align: top; padding: 0.7mm 2mm 0.7mm 0; border-bottom: 0.15mm solid #aaa; }
th { border-bottom: 0.4mm solid #333; }
td.n, th.n { text-align: right; white-space: nowrap; }
td.t { white-space: nowrap; }
td.w { overflow-wrap: anywhere; }
td p { margin: 0.4mm 0 0; font-size: 7.5pt; color: #333; }
tr { break-inside: avoid; }
tr.total td { font-weight: bold; border-top: 0.4mm solid #333; }
.releases { font-size: 8pt; }
figure { margin: 0 0 2mm; break-inside: avoid; }
svg { width: 100%; height: auto; display: block; }
svg text { font: 9px "DejaVu Sans", "Liberation Sans", Arial, sans-serif; fill: #111; }
ul { margin: 0; padding-left: 5mm; }
footer { margin-top: 5mm; border-top: 0.3mm solid #777; padding-top: 1mm; font-size: 7.5pt; overflow-wrap: anywhere; }
"""


def statement_page(statement: Statement, zone_database: str, version: str) -> str:
    """The whole document. Every text from outside is escaped, and what would turn its direction is written out."""
    parts = (
        _head(statement),
        _section("Sums", _sums(statement)),
        _section("Costs", _costs(statement.bill)),
        _section("When", _charts(statement)),
        _section("How good the evidence is", _grades(statement)),
        _section("The meter's account", account_of(statement)),
        _section("What to keep in mind", _list(CAUTIONS[one] for one in statement.cautions)),
        _section("Corrected since", _corrections(statement)),
        _section(ADJUSTMENTS, _adjustments(statement)),
        _section(HEADING, decided_section(statement)),
        _section("Releases", _releases(statement)),
        _footer(statement, zone_database, version),
    )
    title = text(title_of(statement.subject))
    body = "\n".join(filter(None, parts))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        f"<title>{title}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def _section(heading: str, body: str) -> str:
    return f"<section>\n<h2>{heading}</h2>\n{body}\n</section>" if body else ""


def _list(items: Iterable[str]) -> str:
    lines = "\n".join(f"<li>{text(item)}</li>" for item in items)
    return f"<ul>\n{lines}\n</ul>" if lines else ""


def _head(statement: Statement) -> str:
    subject = statement.subject
    also = ", ".join(map(name, statement.also_written))
    written = f'<p class="small">Also written {also}.</p>' if also else ""
    said = () if statement.as_closed is None else as_closed_lines(statement.as_closed)
    closed = "".join(f'<p class="small">{text(line)}</p>\n' for line in said)
    return f"""<h1>Statement of the {KINDS[subject.kind]} {name(subject.name or "(none)")}</h1>
<p>{text(when_of(statement))}</p>
{written}{closed}<p class="sum">{text(summary_of(statement))}</p>"""


def _sums(statement: Statement) -> str:
    rows = [
        row(
            [
                ("w", text(channel_words(one.channel, one.unit)) + ("" if one.billed else " (beside what is billed)")),
                ("n", str(one.releases)),
                ("n", figure(one.released.pages)),
                ("n", figure(one.counted.pages)),
                ("n", str(one.charged)),
                ("n", str(one.unproven)),
            ]
        )
        for one in statement.sums
    ]
    table = table_of([("w", "Channel, unit"), *numbers(("Releases", *HEADINGS))], rows)
    return f'{table}\n<p class="small">{FIGURES}</p>' if table else ""


def _costs(bill: Bill | None) -> str:
    if bill is None:
        return ""
    amounts = [f"{one.text} {one.currency}" for one in bill.amounts()] or ["nothing"]
    unpriced = f"; {channel_pages_text(bill.unpriced)} pages without a price" if bill.unpriced else ""
    return f"<p><b>{text(', '.join(amounts))}</b> for the charged pages, rounded once{text(unpriced)}.</p>"


def _charts(statement: Statement) -> str:
    figures = [
        f"<figure><h3>{text(channel_words(one.channel, one.unit))}: pages a {one.by}; "
        f"solid: charged, hatched: unsupported</h3>\n{chart_svg(one, f'hatch{nth}')}</figure>"
        for nth, one in enumerate(statement.charts)
    ]
    return "\n".join(figures)


def _grades(statement: Statement) -> str:
    rows = [
        row(
            [
                ("t", NOT_JUDGED if one.grade is None else one.grade.value),
                ("w", "no verdict yet" if one.grade is None else text(GRADES[one.grade])),
                ("n", str(one.releases)),
                ("n", str(one.charged)),
                ("n", str(one.unproven)),
            ]
        )
        for one in statement.grades
    ]
    return table_of([("t", "Grade"), ("w", "What it says"), *numbers(("Releases", "Charged", "Unsupported"))], rows)


def _corrections(statement: Statement) -> str:
    zone = statement.period.zone
    rows = [
        row([("w", name(line.first.release.release)), ("w", text(correction_words(one, zone)))])
        for line in statement.lines
        for one in line.corrections
    ]
    return table_of([("w", "Release"), ("w", "What a late notice changed")], rows)


def _adjustments(statement: Statement) -> str:
    headings = [("w", "Corrects"), ("w", "Account"), *_where(statement, "Printer"), ("w", "Release")]
    headings += [("w", "Channel, unit"), ("n", "Pages")]
    rows = [
        row(
            [
                ("w", name(one.corrects)),
                ("w", name(one.person or one.account)),
                *_where(statement, name(one.printer)),
                ("w", name(one.release)),
                ("w", text(channel_words(one.channel, one.unit))),
                ("n", f"{one.pages:+}"),
            ]
        )
        for one in statement.adjustments
    ]
    table = table_of(headings, rows)
    return f'{table}\n<p class="small">{text(ADJUSTMENTS_SAY)}</p>' if table else ""


def _releases(statement: Statement) -> str:
    headings = [("t", "Started"), *_where(statement, "Printer"), ("w", "Release")]
    headings += [("w", "Person")] if statement.named else []
    headings += [*numbers(), ("w", "Verdict; evidence")]
    rows = [
        _release(statement, line, charge) for line in statement.lines for charge in (line.charges or line.parts[:1])
    ]
    return table_of(headings, rows, ' class="releases"')


def _where(statement: Statement, printer: str) -> list[tuple[str, str]]:
    """A printer's own statement need not repeat it."""
    return [] if statement.subject.kind == "printer" else [("w", printer)]


def _release(statement: Statement, line: Line, charge: Charge) -> str:
    started = _started(statement, charge)
    cells = [("t", started), *_where(statement, name(charge.printer)), ("w", name(charge.release.release))]
    if statement.named:
        cells.append(("w", name(charge.owner or "(none)")))
    cells += [("n", figure(one)) for one in (charge.released, charge.counted, charge.charged, charge.unproven)]
    said = [f"{text(verdict_words(charge.verdict))}; {text(grade_words(charge.grade))}"]
    why = "; ".join(why_of(charge))
    said += [f"<p>{text(why)}.</p>"] if why else []
    said += ["<p>Corrected since: see above.</p>"] if line.corrections else []
    said += [f"<p>{LATE}</p>"] if line.late else []
    cells.append(("w", "".join(said)))
    return row(cells)


def _started(statement: Statement, charge: Charge) -> str:
    """Local time with its offset, so that an hour that comes twice is unambiguous."""
    return text(local_text(charge.started_us, statement.period.zone)).replace(" ", "<br>", 1)


def _footer(statement: Statement, zone_database: str, version: str) -> str:
    made = "" if statement.seal is None else f"Made from {head_line(statement.seal)}. "
    zone = f"Time zone {statement.period.zone.key} (tz database {zone_database}). "
    return f"<footer>{text(made + zone)}Pagereeve {text(version)}.</footer>"
