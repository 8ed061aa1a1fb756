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
    "Unless the policy is to charge what was counted, the pages beyond what was released are the house's."
)
QUESTION: Final = "Nothing in the ledger changes. It is a question to ask, and accuses nobody."

ADVICE: Final[Mapping[str, Advice]] = {
    "surplus": Advice(
        "more pages counted than released",
        NOBODY_YET,
        "Look at the hints of the finding; if there are none, ask whether somebody copied or printed past the release.",
    ),
    "shortfall": Advice(
        "fewer pages counted than released",
        "Whoever released the job pays only for what was counted; perhaps they didn't get all of it.",
        "See whether the printer stopped (paper, jam), and whether the job was printed again.",
    ),
    "stray-pages": Advice(
        "pages counted that nobody released",
        "The pages are the house's until they are explained.",
        "Look for another way to this printer: a copy, a fax, a direct queue, a test page, or a notice that is late.",
    ),
    "unproven-release": Advice(
        "a release whose pages no count proves",
        "Its charge stands in the unproven column, and can be waived.",
        "See what happened to the meter at that time; decide whether the charge is to stand.",
    ),
    "release-without-badge": Advice(
        "a release before which no badge was presented",
        QUESTION,
        "See whether the badge feed works; a release may have been made by hand.",
    ),
    "repeated-release": Advice(
        "a release started again",
        "A repetition claims nothing anew; what it printed is found by the count.",
        "Look at what the release server sends; names of releases should be used once.",
    ),
    "release-never-ended": Advice(
        "a release whose end was never told",
        "Its bracket was closed by the meter's rest, which is weaker than an end notice.",
        "Look at what the release server sends.",
    ),
    "unknown-printer": Advice(
        "releases name a printer that is not in the registry",
        "Its pages are not counted at all: its releases stay unproven.",
        "Correct the name at the release server, or add the printer to the settings.",
    ),
    "conflicting-duplicate": Advice(
        "an event came again with other data",
        "The first one counts. If the second was right, a bracket is wrong.",
        "Compare the two at the source; it uses one id for two events.",
    ),
    "source-clock-off": Advice(
        "a source's clock is off",
        "Its notices are dated by their arrival: brackets may be wider, and pages may lie beside their release.",
        "Set the source's clock by NTP.",
    ),
    "meter-silent": Advice(
        "the meter does not answer while a release needs it",
        "Releases meanwhile share a bracket, or stay unproven if the meter changes before it is back.",
        "Is it switched on? If it prints, look at the SNMP version, community, access list and the gateway's forward: "
        "pagereeve prove shows which stage fails.",
    ),
    "wrong-responder": Advice(
        "something else answers at the printer's address",
        "No reading is taken from it: releases stay unproven.",
        "Look at the gateway's forward for UDP port 161, and at the serial number in the settings.",
    ),
    "unit-not-usable": Advice(
        "the meter can't be used as it is",
        "The printer's pages are not in the ledger.",
        "Prove the unit with test pages: pagereeve prove --print; then set it in the settings.",
    ),
    "unit-changed": Advice(
        "the meter's unit changed",
        "What lies between the two readings can't be proven.",
        "Was the firmware changed? Prove the unit with test pages: pagereeve prove --print.",
    ),
    "object-changed": Advice(
        "another of the printer's counters gives the count",
        "What lies between the two readings can't be proven.",
        "Was the firmware changed? Look at what the printer offers: pagereeve read.",
    ),
    "meter-replaced": Advice(
        "another device answers than before",
        "A new meter run began; what lies between the two readings can't be proven.",
        "If the printer was exchanged, note it and set the new serial number; if not, look at the gateway's forward.",
    ),
    "meter-went-back": Advice(
        "the meter went back",
        "A new meter run began; some pages may be counted twice or not at all.",
        "Ask whether the printer was serviced or lost its power; note it.",
    ),
    "meter-jumped": Advice(
        "the meter jumped",
        "The jump is in nobody's account: a new meter run began.",
        "Ask whether the printer was serviced or exchanged; note it.",
    ),
    "meter-stands-still": Advice(
        "releases end and the meter stands still",
        "People are charged nothing for what they perhaps got.",
        "Print one page and look: if paper comes, the meter or its object is wrong; if none, the printer is.",
    ),
    "printer-restarted": Advice(
        "the printer restarted inside a bracket",
        "The count did not fall, so nothing is lost.",
        "Nothing, unless it happens again.",
    ),
    "steady-bias": Advice(
        "small differences that all lean one way",
        "Each is within the tolerance; together they are not.",
        "Look at the diagnosis, if there is one; else prove the printer with test pages.",
    ),
    "diagnosis": Advice(
        "the differences follow a pattern",
        "The findings of this printer will go on until the setting is right.",
        "Look at the setting that the diagnosis names; nothing is changed by itself.",
    ),
    "unknown-badge": Advice(
        "a badge that nobody is known to own", QUESTION, "Bring the directory of badges up to date."
    ),
    "badge-owner-differs": Advice(
        "a badge that is not the job owner's by the directory",
        QUESTION,
        "Ask before you conclude anything: a badge may be lent, and an owner may have two logins.",
    ),
    "badge-elsewhere": Advice(
        "a badge at one gateway, the release behind another",
        QUESTION,
        "Compare the gateway's name with the printers behind it, in the settings and at the release server.",
    ),
    "badge-in-two-places": Advice(
        "one badge at two places at a time",
        QUESTION,
        "Look for two cards of one number, or two readers within reach of one another.",
    ),
    "reader-noisy": Advice(
        "a reader's frames can't be read",
        "People can't release at this reader.",
        "Look at its cable, its ground and its distance from other readers.",
    ),
    "reader-form-changed": Advice(
        "a reader writes badge numbers otherwise than before",
        "Its badges are nobody's: releases are not tied to badges.",
        "Compare the reader's setting with its form in the settings; nothing is mapped by itself.",
    ),
    "feed-silent": Advice(
        "a feed is silent while others speak",
        "What it should tell is missing: pages become stray, or badges have no release.",
        "See whether its sender runs and reaches the daemon.",
    ),
}

GATEWAY_SILENT: Final = Advice(
    "its printers do not answer",
    "Releases behind it share brackets, or stay unproven if a meter changes before it is back.",
    "Look at the gateway first: its power, its line, and its forward for UDP port 161.",
)
