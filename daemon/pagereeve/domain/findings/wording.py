"""The words of evidence, made at the end and kept nowhere: for each reader in a zone of their own.

``at`` writes an instant (microseconds since 1970) for the reader, ``figure`` a count.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from pagereeve.domain.brackets.continuity import Step
from pagereeve.domain.brackets.hypotheses import BY_NAME, hint_text
from pagereeve.domain.facts.reading import SilenceReason, Unit
from pagereeve.domain.findings.site_words import site_behind
from pagereeve.domain.ledger import Evidence, EvidenceKind, Finding
from pagereeve.domain.values.amounts import Figure, amount, form

Kind = EvidenceKind
At = Callable[[int], str]

STEPS: Final[Mapping[str, str]] = {
    Step.REPLACED: "another device answers",
    Step.UNIT_CHANGED: "the meter's unit changed",
    Step.OBJECT_CHANGED: "another of the printer's counters gives the count",
    Step.FELL_BACK: "the count fell back to an earlier saved value after a restart",
    Step.RESET: "the count started again after a restart",
    Step.WENT_BACK: "the count is lower than before, without a restart",
    Step.JUMPED: "the count rose faster than the printer can print",
    Step.DAMAGED: "a stored fact between the two readings is damaged",
}
AGAIN: Final[Mapping[str, str]] = {
    "echo": "the same start notice came again under another id; it changes nothing",
    "repeat": "a release of this name was started before, for the same job: it adds no claim",
    "reuse": "the source used this release's name before, for another job; each is a release of its own",
}
LOSSES: Final[Mapping[str, str]] = {
    "fewer-facts": "facts that were acknowledged are missing",
    "older-copy": "it is an older copy of itself",
    "other-facts": "it holds another fact than was acknowledged",
    "unreadable-note": "what was noted of its newest commit can't be read",
    "no-journal": "it was gone, and an empty one was begun",
    "lines-lost": "badge lines were never stored",
}
CHOICES: Final[Mapping[str, str]] = {
    "moves-with-releases": "it moves with the releases, and the one before stood still",
    "prints-before-total": "it counts prints alone",
    "standard-default": "it is the standard's own",
    "set-by-a-person": "a person set it",
}
FITS: Final[Mapping[str, str]] = {
    "billed": "the first, which is billed, is what was released",
    "witness": "the second, which is not billed, is what was released",
    "both": "both are within what was released",
    "neither": "neither is what was released",
}
WAITS: Final[Mapping[str, str]] = {
    "not-read": "the meter has not been read since",
    "stopped": "the printer is stopped",
    "state-busy": "the count stands still, and the printer's state says that it is at work",
    "not-moved": "the count has not moved",
    "not-rested": "the meter has not been seen at rest for long enough",
}
SILENCES: Final[Mapping[str, str]] = {
    SilenceReason.TIMEOUT: "no answer",
    SilenceReason.ASLEEP: "stopped answering: asleep or off",
    SilenceReason.LATE: "the answer came too late",
    SilenceReason.NOT_ADMITTED: "the agent does not accept the user",
    SilenceReason.REFUSED: "the agent refused",
    SilenceReason.UNREACHABLE: "not reachable",
    SilenceReason.WRONG_RESPONDER: "another device answered, not a printer",
    SilenceReason.WRONG_DEVICE: "another printer answered",
    SilenceReason.MALFORMED: "the answer could not be read",
    SilenceReason.NO_METER: "the agent has no page counter",
    SilenceReason.UNIT_NOT_USABLE: "the counter's unit can't be used",
    SilenceReason.NAME_NOT_FOUND: "the printer's name could not be found",
}
# Values that say how many, and may be many: no number that names something.
COUNTS: Final = frozenset(
    (
        *("counted", "least", "most", "pages", "before", "after", "part_before", "part_after", "lost", "moved"),
        *("level", "stored", "others", "badges", "refused", "frames", "explained", "count", "releases"),
    )
)
OTHERS: Final[Mapping[str, str]] = {"badges": "badges were presented", "releases": "releases named a badge"}


def text_of(finding: Finding, at: At, figure: Figure = str) -> str:
    """What the finding says in one sentence, without a full stop."""
    return words_of(finding.what, at, figure)


def words_of(evidence: Evidence, at: At, figure: Figure = str) -> str:
    """A sentence or a part of one, without a full stop. Text from outside is in it as it came: a line may obey it."""
    return _WORDS[evidence.kind](_Known(evidence, at, figure))


class _Known:
    """A piece of evidence's values, as text."""

    def __init__(self, evidence: Evidence, at: At, figure: Figure) -> None:
        self._values = dict(evidence.values)
        self._at = at
        self._figure = figure
        self._release = evidence.release

    def __contains__(self, name: str) -> bool:
        return name in self._values

    def __getitem__(self, name: str) -> str:
        value = self._values.get(name, "?")
        return self._figure(value) if isinstance(value, int) and name in COUNTS else str(value)

    def number(self, name: str) -> int:
        value = self._values.get(name, 0)
        return value if isinstance(value, int) else 0

    def texts(self, name: str) -> list[str]:
        value = self._values.get(name, ())
        return [one for one in value if isinstance(one, str)] if isinstance(value, tuple) else []

    def counts(self, name: str) -> str:
        value = self._values.get(name, ())
        return ", ".join(self._count(one) for one in value) if isinstance(value, tuple) else ""

    def _count(self, one: object) -> str:
        name, value = one if isinstance(one, tuple) else (one, "")
        return f"{name} {self._figure(value) if isinstance(value, int) else value}"

    def at(self, name: str) -> str:
        value = self._values.get(name)
        return self._at(value) if isinstance(value, int) else "?"

    def plural(self, what: str) -> str:
        """``3 pages``, of the value ``pages``."""
        return self.amount(f"{what}s", what)

    def amount(self, name: str, what: str) -> str:
        return amount(self.number(name), what, figure=self._figure)

    @property
    def release(self) -> str:
        return "?" if self._release is None else f"release {self._release.release} of {self._release.source}"

    @property
    def unit(self) -> str:
        return "sides or sheets" if self["unit"] == Unit.UNKNOWN else self["unit"]

    @property
    def whose(self) -> str:
        releases = self.number("releases")
        return form(releases, "the release", f"{self._figure(releases)} releases together")

    @property
    def interval(self) -> str:
        least = self["least"]
        if "most" not in self:
            return f"at least {least}" if "least" in self else "?"
        return least if least == self["most"] else f"{least} to {self['most']}"

    @property
    def perhaps(self) -> str:
        hints = [hint_text(hint) for hint in self.texts("hints")]
        return f"; possibly {', or '.join(hints)}" if hints else ""


def _counter(known: _Known) -> str:
    return f"its {known['channel']} ({known['object']})" if "object" in known else f"its {known['channel']}"


def _unit_assumed(known: _Known) -> str:
    model = f"; the model is {known['model']}" if "model" in known else ""
    return f"nobody says whether {_counter(known)} counts sheets or sides{model}"


def _unit_contradicted(known: _Known) -> str:
    given = f"{_counter(known)} is said to count {known['given']}"
    return f"{given}, and releases show that it counts {known['unit']}"


def _count_differs(known: _Known) -> str:
    figures = f"{known['counted']} {known.unit} counted, {known.interval} expected for {known.whose}"
    return figures + known.perhaps


def _count_passed(known: _Known) -> str:
    return (
        f"{known['counted']} {known.unit} counted so far, {known.interval} expected for {known.whose}: "
        "the meter shows more pages than were released, and still counts"
    )


def _colour_under_mono(known: _Known) -> str:
    one = known.number("releases") == 1
    whose = "the ticket of the release says" if one else f"the tickets of all {known['releases']} releases say"
    return (
        f"{known['pages']} {known['unit']} counted as colour, where {whose} monochrome; a driver that mixes black from "
        "colours or a coloured separator sheet may do it: a question to ask, which accuses nobody"
    )


def _no_count(known: _Known) -> str:
    return f"no count proves what {known.whose} printed ({known['grade']}){known.perhaps}"


def _gap_counted(known: _Known) -> str:
    text = f"{known['pages']} {known.unit} counted without a release"
    if known.number("after_power_off"):
        text += "; the printer was off in between, and may have printed a start-up page"
    return text


def _run_ended(known: _Known) -> str:
    step = STEPS.get(known["step"], known["step"])
    text = f"{step}: {known.counts('before')} then {known.counts('after')}; the pages in between can't be proven"
    if "channels" in known:
        text = f"{step}: {known.counts('before')} then {known.counts('after')}; all other counters went on"
    if "part" in known:
        text += f"; of the counters that are added up, {known['part']} showed {known['part_before']}"
        text += f", then {known['part_after']}"
    if "lost" in known:
        text += f"; at most {known['lost']} of the pages before the restart may be counted twice"
    return text


def _witnesses_disagree(known: _Known) -> str:
    counted = f"{known['billed']} counted {known['counted']} and {known['witness']} {known['moved']}"
    over = f"over {known.plural('bracket')} in which {known.interval} were released"
    return f"two counters of {known['channel']} disagree: {counted} {over}; {FITS[known['fits']]}"


def _reads_fail(known: _Known) -> str:
    since = f"since {known.at('since_us')}{_waiting(known)}"
    return f"reads fail ({_reasons(known)}) {since}{_gateway_answers(known)}"


def _reads_failed(known: _Known) -> str:
    failed = f"{known.amount('tries', 'read')} failed ({_reasons(known)})"
    return f"{failed} from {known.at('from_us')} to {known.at('to_us')}{_waiting(known)}{_gateway_answers(known)}"


def _reasons(known: _Known) -> str:
    return ", ".join(SILENCES.get(one, one) for one in known.texts("reasons"))


def _gateway_answers(known: _Known) -> str:
    return "; the gateway answers" if "gateway" in known else ""


def _waiting(known: _Known) -> str:
    waiting = known.number("waiting")
    return f", while {amount(waiting, 'release')} needed a reading" if waiting else ""


def _clock_off(known: _Known) -> str:
    used = "the time of arrival is used instead"
    if known["clock"] == "behind":
        used = "it is behind by the same time in every notice, which is corrected"
    clock = f"the clock of {known['source']} showed {known.at('occurred_us')}"
    return f"{clock} at {known.at('received_us')}; {used}"


def _tickets_incomplete(known: _Known) -> str:
    return (
        f"the tickets of source {known['source']} never say {known['member']}, and {known.plural('release')} of it, "
        f"each alone, "
        f"counted a whole multiple of what it claimed; if its jobs have several copies, let it say how many, or set in "
        f'[[sources]] source = "{known["source"]}", ticket = {{ {known["member"]} = "unknown" }}'
    )


def _bias(known: _Known) -> str:
    pages = known.number("pages")
    return (
        f"{pages:+d} {form(pages, 'page')} in {known.plural('bracket')}, each within its tolerance: "
        f"the meter always counts a little {'more' if pages > 0 else 'less'} than was released"
    )


def _pattern(known: _Known) -> str:
    hypothesis = BY_NAME[known["hypothesis"]]
    return (
        f"{hypothesis.text}: that explains {known['explained']} of {known.amount('differing', 'difference')} "
        f"among the last {known.plural('bracket')}; to remove them: {hypothesis.cure}"
    )


def _facts_lost(known: _Known) -> str:
    if known["loss"] == "lines-lost":
        lines = known.amount("acknowledged", "badge line")
        return f"{lines} came while the journal could not store, and found no room: who presented them is not known"
    counts = f"{known['stored']} of {known.amount('acknowledged', 'acknowledged fact')} found"
    return f"the journal was started with a loss: {LOSSES.get(known['loss'], known['loss'])}; {counts}"


def _two_places(known: _Known) -> str:
    return (
        f"one badge was presented at gateway {known['before']} and {known.number('apart_ms') / 1_000:.1f} s later "
        f"at gateway {known['after']}: two cards have the same number, or two readers are close together"
    )


def _nothing_came(known: _Known) -> str:
    others = f"{known['others']} {OTHERS.get(known['of'], known['of'])} since {known.at('since_us')}"
    return f"{others}, and nothing came from this feed"


def _clock_stepped(known: _Known) -> str:
    size_s = known.number("size_ms") / 1_000
    way = "ahead" if size_s > 0 else "back"
    return (
        f"the clock of this machine stepped {abs(size_s):.1f} s {way}, from {known.at('before_us')} to "
        f"{known.at('wall_us')}; our dates go on as they were"
    )


def _noisy(known: _Known) -> str:
    frames = f"{known['refused']} of the reader's last {known['frames']} frames can't be read"
    return f"{frames}; the last one was refused for {known['reason']}"


def _cuts(known: _Known) -> str:
    before = f"{known['channel']} {known['before']} at {known.at('opens_us')}"
    return f"{before}, {known['after']} at {known.at('closes_us')}, run {known['run']}"


def _counted_so_far(known: _Known) -> str:
    before = f"{known['channel']} {known['before']} until {known.at('until_us')}"
    return f"{before}, {known['counted']} more at {known.at('at_us')}"


def _reading(known: _Known) -> str:
    parts = [known.counts("counts"), f"serial {known['serial']}", f"object id {known['object_id']}"]
    parts += [f"state {known['state']}", *(f"error {name}" for name in known.texts("errors"))]
    parts += [f"answered by {known['responder']}"] if "responder" in known else []
    return f"{known['side']}: {'; '.join(parts)}; at {known.at('at_us')}"


_GATEWAY: Final = {"answers": "while its gateway answers", "down": "while its gateway is down"}


def _silence(known: _Known) -> str:
    line = f"{SILENCES.get(known['reason'], known['reason'])}, from {known.at('from_us')}"
    if "to_us" in known:
        line = f"{known.amount('tries', 'read')}: {line} to {known.at('to_us')}"
    if "responder" in known:
        line += f", answered by {known['responder']}"
    if "gateway" in known:
        line += f", {_GATEWAY[known['gateway']]}"
    return f"{line}: {known['detail']}" if "detail" in known else line


def _presented(known: _Known) -> str:
    where = f" at gateway {known['gateway']}" if "gateway" in known else ""
    return f"presented{where}: {known.at('at_us')}"


def _noted(known: _Known) -> str:
    text = f" {known['text']}" if "text" in known else ""
    return f"noted {known.at('at_us')}: {known['note']}{text}"


def _job_told(known: _Known) -> str:
    way = f", through way in {known['channel']}" if "channel" in known else ""
    began = f"begun between {known.at('since_us')} and {known.at('until_us')}"
    return f"job {known['job']}: {known.amount('counted', 'impression')} so far{way}, {began}"


def _event_differs(known: _Known) -> str:
    if "count" not in known:
        return f"event {known['event']} of {known['source']} came again with other data; the first one is used"
    count = f"{known['count']} or more" if known.number("at_least") else known["count"]
    sender = f" of {known['source']}" if "source" in known else ", of several sources,"
    what = form(known.number("count"), "delivery", "deliveries")
    return f"{count} {what}{sender} had an id that was used before, with other data; what came first is used"


def _decided(known: _Known) -> str:
    said = [f"decided {known.at('at_us')} by {known['by']}: {known['action']}"]
    return ", ".join([*said, *(known[name] for name in ("reason", "text", "printer") if name in known)])


_WORDS: Final[Mapping[Kind, Callable[[_Known], str]]] = {
    Kind.COUNT_DIFFERS: _count_differs,
    Kind.COUNT_PASSED: _count_passed,
    Kind.COLOUR_UNDER_MONO: _colour_under_mono,
    Kind.NO_COUNT: _no_count,
    Kind.GAP_COUNTED: _gap_counted,
    Kind.RUN_ENDED: _run_ended,
    Kind.READS_FAIL: _reads_fail,
    Kind.READS_FAILED: _reads_failed,
    Kind.EVENT_DIFFERS: _event_differs,
    Kind.NOT_REGISTERED: lambda known: (
        f"no printer {known['printer']!r} is in the settings, so its meter is not read; correct the name or add it"
    ),
    Kind.WINDOWS_WAIT: lambda known: (
        f"{known.plural('release')} without a verdict since {known.at('since_us')}: {WAITS[known['why']]}"
    ),
    Kind.WINDOWS_WAITED: lambda known: (
        f"{known.plural('release')} waited for a verdict from {known.at('since_us')} to {known.at('until_us')}"
    ),
    Kind.RESTARTED: lambda _: "the printer restarted inside a bracket; the count did not fall",
    Kind.JOBS_DISAGREE: lambda known: (
        f"the printer's own jobs count more than its meter, {known['counted']} {known['unit']}, for {known.whose}: "
        "the meter's count stands"
    ),
    Kind.JOB_WITHOUT_RELEASE: lambda known: (
        f"the printer printed its job {known['job']} while no release was open (told by {known['door']})"
    ),
    Kind.JOB_TOLD: _job_told,
    Kind.STARTED_AGAIN: lambda known: AGAIN[known["again"]],
    Kind.NO_END: lambda _: "no end notice came; the window closed without one",
    Kind.NO_BADGE: lambda _: "no badge was presented at the gateway before this release",
    Kind.CLOCK_OFF: _clock_off,
    Kind.TICKETS_INCOMPLETE: _tickets_incomplete,
    Kind.BIAS: _bias,
    Kind.STANDS_STILL: lambda known: (
        f"{known.number('count')} releases in a row ended, and the meter still shows {known['level']}"
    ),
    Kind.WITNESSES_DISAGREE: _witnesses_disagree,
    Kind.COUNTER_CHOSEN: lambda known: (
        f"{known['object']} stands for {known['channel']} from {known.at('at_us')} on: {CHOICES[known['reason']]}"
    ),
    Kind.STATE_NOT_BELIEVED: lambda _: (
        "the printer says that it prints or warms up, while its count has come to rest where it should"
    ),
    Kind.UNIT_ASSUMED: _unit_assumed,
    Kind.UNIT_CONTRADICTED: _unit_contradicted,
    Kind.PATTERN: _pattern,
    Kind.NO_OWNER: lambda _: "a badge was presented that has no known owner",
    Kind.TWO_PLACES: _two_places,
    Kind.WRITTEN_OTHERWISE: lambda known: (
        f"{known['badges']} badges in a row match only in another form than the reader's form in the settings; "
        "none of them is mapped automatically"
    ),
    Kind.NOISY: _noisy,
    Kind.NOTHING_CAME: _nothing_came,
    Kind.CLOCK_STEPPED: _clock_stepped,
    Kind.CLOCK_NOT_AGREED: lambda known: (
        f"the clock of this machine showed {known.at('wall_us')} at the start, and nobody says that this is right; "
        f"until somebody does, dates go on from {known.at('dated_us')}"
    ),
    Kind.OTHER_OWNER: lambda _: "the release's badge is not the badge of the job's owner, by the directory",
    Kind.ELSEWHERE: lambda known: (
        f"the badge was presented at gateway {known['gateway']}, "
        f"and the release went to a printer behind {known['home']}"
    ),
    Kind.FACTS_LOST: _facts_lost,
    Kind.FACT_DAMAGED: lambda known: (
        f"fact {known['number']} ({known['fact']}) of {known.at('at_us')} can't be read: the stored row is damaged; "
        "it is left out, and what lies around it is not judged"
    ),
    Kind.RECEIVER_GONE: lambda known: (
        f"{known['receiver']} answered 410 (Gone): it wants no more alerts, and none are sent to it until its settings "
        "are others, or this finding is explained or closed"
    ),
    Kind.GATEWAY_DOWN: lambda known: (
        f"gateway {known['gateway']} does not answer ({known['check']}): {known['detail']}; nothing behind it can be "
        "read or printed to until it does"
    ),
    Kind.SITE_BEHIND: lambda known: site_behind(known["site"], known["state"], known["why"], known.at("known_us")),
    Kind.OLDER: lambda known: known["text"],
    Kind.CUTS: _cuts,
    Kind.COUNTED_SO_FAR: _counted_so_far,
    Kind.RELEASE: lambda known: known.release,
    Kind.FIRST: lambda known: f"the first of them: {known.release}",
    Kind.LAST: lambda known: f"the last of them: {known.release}",
    Kind.PERHAPS_MISSED: lambda known: f"possibly the pages of {known.release}: it missed the same number",
    Kind.PERHAPS_AT: lambda known: (
        f"{known.release} may have made {known.amount('pages', 'stray page')} at printer {known['printer']} "
        f"({known['finding']}): pagereeve findings book ... --at {known['printer']}"
    ),
    Kind.PERHAPS_AGAIN: lambda known: f"possibly {known.release} printed again: it counted the same number",
    Kind.RELEASE_COUNTED: lambda known: (
        f"{known.release}: counted {known['counted']}, at least {known['least']} expected"
    ),
    Kind.AS_EXPECTED: lambda known: f"{known.plural('bracket')} counted as expected; this contradicts it",
    Kind.REASON: lambda known: f"reason: {known['reason']}",
    Kind.READING: _reading,
    Kind.SILENCE: _silence,
    Kind.EVENT: lambda known: f"event {known['event']}",
    Kind.EVENT_TYPE: lambda known: f"type {known['type']}",
    Kind.DIGEST: lambda known: f"SHA-256 of the data set aside: {known['digest']}",
    Kind.PRESENTED: _presented,
    Kind.ANSWERED: lambda known: f"the release server answered: {known['outcome']}",
    Kind.MORE: lambda known: f"... and {known['count']} more",
    Kind.JOB: lambda known: f"job {known['job']}, owner {known['owner']}",
    Kind.OWNERS: lambda known: f"the badge is {known['badge_owner']}'s, the job {known['job_owner']}'s",
    Kind.FLOODED: lambda known: (
        f"{known.amount('badges', 'badge')} without an owner came within {known['within_s']} s: "
        "the reader makes them up, or somebody tries numbers"
    ),
    Kind.PERHAPS_READ: lambda known: (
        f"ask whether it was misread: it is {known['slip']}, and that is exactly one known badge"
    ),
    Kind.STYLE: lambda known: f"known only if written {known['style']}",
    Kind.NOTED: _noted,
    Kind.DECIDED: _decided,
}
