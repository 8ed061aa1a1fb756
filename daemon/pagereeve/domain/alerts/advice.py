"""What each kind of finding means to whoever is called: in a few words, what it costs, and what to do first.

The advice is common practice, no source, where no other is named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Advice:
    headline: str
    cost: str
    first: str


NOBODY_YET: Final = (
    "Unless the policy is to charge what was counted, the pages beyond what is charged are nobody's: they go to "
    "house:surplus, or to house:unattributed where several releases ran together."
)
QUESTION: Final = "Nothing in the ledger changes. It is a question to ask, and accuses nobody."

ADVICE: Final[Mapping[str, Advice]] = {
    "surplus": Advice(
        "more pages counted than released",
        NOBODY_YET,
        "Read the hints of the finding. If there are none, ask whether somebody copied or printed without a release.",
    ),
    "shortfall": Advice(
        "fewer pages counted than released",
        "Unless the policy is to charge what was released, nobody is charged for pages that were not counted. Not all "
        "pages may have been received.",
        "Check whether the printer stopped (paper, jam), and whether the job was printed again.",
    ),
    "colour-under-mono": Advice(
        "pages of a monochrome ticket counted as colour",
        QUESTION,
        "Print a black page from the same queue and see whether the colour counter moves: the driver may mix black "
        "from colours, or the ticket may not say what was sent.",
    ),
    "stray-pages": Advice(
        "pages counted without a release",
        "The pages are on house:stray, charged to nobody. Explained as maintenance they go to house:maintenance; any "
        "other reason moves nothing.",
        "Look for another way to this printer: a copy, a fax, a direct queue, a test page, or a notice that is late.",
    ),
    "unproven-release": Advice(
        "the count does not prove the pages of a release",
        "Nobody is charged for it. Its claim is listed apart, in the unsupported column.",
        "Check what happened to the meter at that time. Then waive or confirm the claim: pagereeve decide.",
    ),
    "release-without-badge": Advice(
        "no badge was presented before a release",
        QUESTION,
        "Check whether the badge feed works. Somebody may have released the job by hand.",
    ),
    "repeated-release": Advice(
        "a release started again",
        "A repetition adds no claim; the count shows what it printed.",
        "Check what the release server sends. It should use each release name only once.",
    ),
    "release-never-ended": Advice(
        "the end of a release was never reported",
        "Its bracket was closed by the meter's rest, which is weaker than an end notice.",
        "Check whether the release server sends end notices.",
    ),
    "windows-waiting": Advice(
        "releases wait unusually long for a verdict",
        "Nothing is charged for them yet, and pages counted since are in no account.",
        "Look at the printer: is it stopped, or does its state stick? If its meter is not read, see meter-silent.",
    ),
    "unknown-printer": Advice(
        "releases name a printer that is not in the settings",
        "The daemon does not read this printer: its releases stay unproven.",
        "Correct the name at the release server, add the printer to the settings, or give its entry this name (also).",
    ),
    "conflicting-duplicate": Advice(
        "an event came again with other data",
        "The first one counts. If the second was right, a bracket is wrong.",
        "Compare both events at the source: it uses one id for two events.",
    ),
    "source-clock-off": Advice(
        "a source's clock is off",
        "The arrival time of its notices is used: brackets may be wider, and pages may be outside their release.",
        "Set the source's clock by NTP.",
    ),
    "meter-silent": Advice(
        "the meter does not answer while a release needs it",
        "Until it answers, releases share a bracket, or stay unproven if the meter changes.",
        "Is it switched on? If it prints, look at the SNMP version, community, access list and the gateway's forward: "
        "pagereeve prove shows which stage fails.",
    ),
    "wrong-responder": Advice(
        "something else answers at the printer's address",
        "Its readings are not used: releases stay unproven.",
        "Look at the gateway's forward for UDP port 161, and at the serial number in the settings.",
    ),
    "unit-not-usable": Advice(
        "the meter can't be used as it is",
        "The printer's pages are not in the ledger.",
        "Prove the unit with test pages (pagereeve prove PRINTER --print). Then set it in the settings.",
    ),
    "unit-changed": Advice(
        "the meter's unit changed",
        "The pages between the two readings can't be proven.",
        "Was the firmware changed? Prove the unit with test pages: pagereeve prove PRINTER --print.",
    ),
    "object-changed": Advice(
        "another of the printer's counters gives the count",
        "The pages between the two readings can't be proven.",
        "Was the firmware changed? See which counters the printer has: pagereeve read PRINTER.",
    ),
    "meter-replaced": Advice(
        "another device answers than before",
        "A new meter run began; the pages between the two readings can't be proven.",
        "If the printer was exchanged, note it and set the new serial number; if not, look at the gateway's forward.",
    ),
    "meter-went-back": Advice(
        "the meter went back",
        "A new meter run began; some pages may be counted twice or not at all.",
        "Ask whether the printer was serviced or lost its power; note it.",
    ),
    "meter-jumped": Advice(
        "the meter jumped",
        "A new meter run began; the pages of the jump are in no account.",
        "Ask whether the printer was serviced or exchanged; note it.",
    ),
    "meter-stands-still": Advice(
        "releases end and the meter does not count",
        "People may have received pages, and are charged nothing.",
        "Print one page. If paper comes out, the wrong counter is read or it is broken; if not, repair the printer.",
    ),
    "state-not-believed": Advice(
        "the printer's state stays busy",
        "Each release waits longer for its verdict, and is judged by the count alone.",
        "Restart the printer or its network card. If it stays so, update its firmware; nothing else is needed.",
    ),
    "unit-assumed": Advice(
        "nobody says whether the meter counts sheets or sides",
        "Two-sided releases agree with more than one count, and are not charged unless charging_needs allows it. "
        "One-sided ones are as exact as ever.",
        "Nothing needs doing: two two-sided releases of four pages teach it. To have it sooner, prove one printer of "
        "the model with test pages: pagereeve prove PRINTER --print.",
    ),
    "unit-contradicted": Advice(
        "releases contradict the meter's unit",
        "Two-sided releases are judged by the wrong unit: their differences are the meter's, not people's.",
        "Prove the unit with test pages: pagereeve prove PRINTER --print. Then set it in the printer's entry (unit).",
    ),
    "witnesses-disagree": Advice(
        "two counts of the printer disagree",
        "Charges follow the billed counter, and may be too low or too high where it is the wrong one. What jobs say "
        "against it is set aside.",
        "Print a few pages and see which counter moves by as many: pagereeve prove PRINTER --print. A counter that "
        "stands still gives way by itself to one that moves with the releases.",
    ),
    "printer-restarted": Advice(
        "the printer restarted inside a bracket",
        "The count did not fall, so nothing is lost.",
        "Nothing, unless it happens again.",
    ),
    "job-without-release": Advice(
        "a print job that no notice explains",
        "Its pages are stray, and nobody is charged for them.",
        "Ask how jobs reach the printer past the release server: a USB stick, its web page, a port left open.",
    ),
    "tickets-incomplete": Advice(
        "a source's tickets leave out what matters",
        "What counted a whole multiple of its claim is one finding here. Nobody is charged more than was claimed.",
        "Look at one of the jobs. Let the source say copies, or set what it means that it does not ([[sources]]). "
        "Close the finding if the pages are a surplus: each release is then told alone.",
    ),
    "steady-bias": Advice(
        "small differences in one direction",
        "Each difference is within the tolerance; their sum is not.",
        "Read the diagnosis, if there is one. Else prove the printer with test pages: pagereeve prove PRINTER --print.",
    ),
    "diagnosis": Advice(
        "the differences follow a pattern",
        "This printer will have such findings until the setting is right.",
        "Change the setting that the diagnosis names. Pagereeve does not change it.",
    ),
    "unknown-badge": Advice("a badge has no known owner", QUESTION, "Update the directory of badges."),
    "badge-owner-differs": Advice(
        "the badge is not the job owner's, by the directory",
        QUESTION,
        "Ask before you conclude anything: a badge may be lent, and an owner may have two logins.",
    ),
    "badge-elsewhere": Advice(
        "the badge was at one gateway, the release behind another",
        QUESTION,
        "Compare the gateway's name with the printers behind it, in the settings and at the release server.",
    ),
    "badge-in-two-places": Advice(
        "one badge was at two places at the same time",
        QUESTION,
        "Look for two cards with the same number, or two readers that are close together.",
    ),
    "reader-noisy": Advice(
        "a reader's frames can't be read",
        "People can't release at this reader.",
        "Look at its cable, its ground and its distance from other readers.",
    ),
    "reader-form-changed": Advice(
        "a reader writes badge numbers in another form than before",
        "Its badges match no owner: its releases have no badge.",
        "Compare the reader's own configuration with its form in the settings. Correct one of them.",
    ),
    "reader-flooded": Advice(
        "many badges that nobody owns came from one reader at once",
        QUESTION,
        "Look at the reader: its cable, its form in the settings, and whether somebody tries numbers there.",
    ),
    "feed-silent": Advice(
        "a feed is silent while others send",
        "What it should send is missing: pages become stray, or badges have no release.",
        "Check that its sender runs and can reach the daemon.",
    ),
    "fact-damaged": Advice(
        "a stored fact is damaged",
        "It is left out: releases around it stay unproven.",
        "Restore the journal from a copy, or look at the disk. pagereeve replay --check names all damaged rows.",
    ),
    "facts-lost": Advice(
        "the journal lacks what it had acknowledged, or badge lines",
        "Releases and readings of the time before are missing: their pages become stray, or are nobody's. Of lost "
        "badge lines nobody knows who was there.",
        "Let the release server send its notices of that time again: what is known changes nothing. Then find out "
        "who moved, restored or damaged the journal, or why its database was away for so long.",
    ),
    "clock-stepped": Advice(
        "the clock of this machine stepped",
        "Nothing yet: dates go on from where they were. The next start would begin with the wrong clock.",
        "Let NTP keep the clock right (timedatectl, chronyc tracking), and see who sets it besides.",
    ),
    "clock-not-agreed": Advice(
        "nobody says that the clock of this machine is right",
        "Nothing is lost or refused. Dates are provisional meanwhile, and are moved once the clock is agreed.",
        "Set the clock, let NTP keep it, or say that it is right: pagereeve clock agree.",
    ),
    "receiver-retired": Advice(
        "a receiver of alerts wants no more of them",
        "Nobody who listens there hears of anything. What is to be sent waits for two weeks, then it is given up.",
        "Ask who runs it. Correct or remove it in the settings; or close this finding, and it is sent to again.",
    ),
    "gateway-down": Advice(
        "the gateway does not answer",
        "Nobody behind it can release anything, and no meter behind it can be read until it answers.",
        "Look at the gateway: its power, its cable, its switch port. What is behind it waits for it.",
    ),
    "site-behind": Advice(
        "not all that the site counted is here",
        "What it counted since then is in no total, statement or finding here. It works on, and keeps what it counts.",
        "Look whether its daemon runs, and at the line between. Where its facts are refused, its doctor says why.",
    ),
}

GATEWAY_SILENT: Final = Advice(
    "its printers do not answer",
    "Until they answer, releases behind it share brackets, or stay unproven if a meter changes.",
    "Look at the gateway first: its power, its line, and its forward for UDP port 161.",
)
