"""A proof as a page to print and file: self-contained HTML for one sheet of A4, without scripts."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.instants import to_text
from pagereeve.proof.report.summary import STANDING_WORDS, identity_of, summary_line, worst_first
from pagereeve.proof.report.terminal import MARKS, caution, job_line
from pagereeve.proof.results import Outcome, Proof, Stage, Standing

STYLE: Final = """
@page { size: A4; margin: 12mm 16mm; }
body { font: 9pt/1.3 "DejaVu Sans", "Liberation Sans", Arial, sans-serif; color: #1b1b1b; }
body { margin: 0 auto; max-width: 178mm; }
article { padding: 6mm 0; break-after: page; }
article:last-child { break-after: auto; }
h1 { font-size: 15pt; margin: 0 0 1mm; }
h2 { font-size: 10pt; margin: 3.5mm 0 1mm; border-bottom: 0.3mm solid #888; }
p { margin: 0 0 2mm; }
.verdict { font-size: 11pt; font-weight: bold; border: 0.5mm solid; padding: 2mm 3mm; margin: 3mm 0; }
.good { color: #14532d; } .bad { color: #8f1414; } .warn { color: #7a4b00; } .none { color: #555; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: 0.6mm 2mm 0.6mm 0; border-bottom: 0.15mm solid #bbb; }
th { font-weight: bold; }
ul { margin: 0; padding-left: 5mm; }
.sign, pre, tr { break-inside: avoid; }
h2 { break-after: avoid; }
@media print { article { padding: 0; } }
td.word { white-space: nowrap; }
td p { margin: 0.6mm 0 0; }
pre { background: #f2f2ee; padding: 2mm 3mm; margin: 0; white-space: pre-wrap; }
pre { font: 8pt/1.3 "DejaVu Sans Mono", monospace; }
.sign { margin-top: 9mm; display: flex; gap: 8mm; }
.sign div { flex: 1; border-top: 0.3mm solid #333; padding-top: 1mm; font-size: 8.5pt; }
footer { margin-top: 4mm; font-size: 8.5pt; color: #444; }
"""
# Nobody accepts what failed.
SIGNED: Final = {True: "<div>Installed and proven by</div><div>Accepted by</div>", False: "<div>Tried by</div>"}
CLASSES: Final[dict[Outcome, str]] = {"passed": "good", "failed": "bad", "warned": "warn", "not-tried": "none"}
STANDINGS: Final[dict[Standing, str]] = {"passed": "good", "failed": "bad", "not-tried": "warn"}


def page_of(proofs: Sequence[tuple[Proof, str]], version: str) -> str:
    """Every proof with its entry on a sheet of its own; of several, a summary first, then the worst."""
    ordered = worst_first(proofs)
    articles = [_article(proof, fragment, version) for proof, fragment in ordered]
    if len(articles) > 1:
        articles.insert(0, _summary([proof for proof, _ in ordered]))
    body = "\n".join(articles)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        f"<title>Installation proof</title>\n<style>{STYLE}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def _summary(proofs: Sequence[Proof]) -> str:
    rows = "\n".join(
        f"<tr><td>{escape(one.printer)}</td>"
        f'<td class="word {STANDINGS[one.standing]}">{STANDING_WORDS[one.standing]}</td>'
        f"<td>{escape(' '.join(identity_of(one)))}</td><td>{escape(one.verdict)}</td></tr>"
        for one in proofs
    )
    return f"""<article>
<h1>Installation proof</h1>
<p class="verdict {"good" if all(one.passed for one in proofs) else "bad"}">{escape(summary_line(proofs))}</p>
<table>
<tr><th>Printer</th><th>Outcome</th><th>Model, serial number</th><th>Verdict</th></tr>
{rows}
</table>
</article>"""


def _article(proof: Proof, fragment: str, version: str) -> str:
    identity = None if proof.inspection is None else proof.inspection.identity
    known = "" if identity is None else f"{identity.model or identity.description}, serial {identity.serial or '-'}"
    verdict = "good" if proof.passed else "bad"
    rows = "\n".join(_row(stage) for stage in proof.stages)
    return f"""<article>
<h1>Installation proof: {escape(proof.printer)}</h1>
<p>{escape(proof.place)}{escape(f" · {known}" if known else "")}<br>
{to_text(proof.began_us)[:19]}Z · Pagereeve {escape(version)}</p>
<p class="verdict {verdict}">{escape(proof.verdict)}</p>
<table>
<tr><th>Stage</th><th>Outcome</th><th>What was tried, what came back, what to do</th></tr>
{rows}
</table>
{_jobs(proof)}
<h2>What this proves</h2>
<p><b>Proven:</b> {_said(proof.proven)}</p>
<p><b>Not proven:</b> {_said(proof.unproven)}</p>
{_entry(fragment) if proof.passed else ""}
<div class="sign"><div>Date</div>{SIGNED[proof.passed]}</div>
<footer>{escape(caution(proof))}</footer>
</article>"""


def _entry(fragment: str) -> str:
    return f"<h2>The printer's entry</h2>\n<pre>{escape(fragment)}</pre>"


def _row(stage: Stage) -> str:
    duration = f" ({stage.took_s:.1f} s)" if stage.took_s >= 0.05 else ""
    advice = f"<p><b>{escape(stage.advice)}</b></p>" if stage.advice else ""
    tried = f"{escape(stage.tried)}: " if stage.tried else ""
    return (
        f'<tr><td class="word">{stage.name}</td><td class="word {CLASSES[stage.outcome]}">{MARKS[stage.outcome]}</td>'
        f"<td>{tried}{escape(stage.came)}{duration}{advice}</td></tr>"
    )


def _jobs(proof: Proof) -> str:
    if not proof.jobs:
        return ""
    lines = "\n".join(f"<li>{escape(job_line(job).strip())}</li>" for job in proof.jobs)
    return f"<h2>Test pages (at most {amount(proof.sheets_most, 'sheet')})</h2>\n<ul>\n{lines}\n</ul>"


def _said(items: Sequence[str]) -> str:
    return escape("; ".join(items) or "nothing") + "."
