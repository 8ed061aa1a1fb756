"""The directory of badges: dates, collisions as a table of lines, and never a number in an error."""

from __future__ import annotations

from pathlib import Path

import pytest

from pagereeve.app.site_facts import binding_facts, site_facts
from pagereeve.domain.badges.form import BadgeForm
from pagereeve.domain.facts.facts import BadgePolicySet, Bound, Fact, Registered
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.domain.values.instants import SECOND_US, from_text
from pagereeve.engine.intake.badge_hashing import BadgeHasher
from pagereeve.settings import (
    BadgeFormSettings,
    BadgeSettings,
    BadSettings,
    GatewaySettings,
    PrinterSettings,
    Settings,
)
from pagereeve.settings.lists.directory import Binding, read_directory

FORM = BadgeForm("hex", 32)
NOON_US = from_text("2026-11-25T12:00:00Z")
DAY_US = 86_400 * SECOND_US


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "badges.csv"


def read(path: Path, text: str, form: BadgeForm = FORM) -> tuple[Binding, ...]:
    path.write_text(text, encoding="utf-8")
    return read_directory(path, form)


def problems(path: Path, text: str, form: BadgeForm = FORM) -> str:
    with pytest.raises(BadSettings) as caught:
        read(path, text, form)
    return str(caught.value)


def test_lines_with_and_without_dates(path: Path) -> None:
    found = read(path, "badge;owner;from;until\n1ea68671;anise;2026-09-01;2027-09-01\n4C:DD:A1:5F;birch;;\n")
    assert [(one.line, one.owner, one.canonical) for one in found] == [
        (2, "anise", "1EA68671"),
        (3, "birch", "4CDDA15F"),
    ]
    assert found[0].from_us == from_text("2026-09-01T00:00:00Z")
    assert (found[1].from_us, found[1].until_us) == (0, None)
    assert "1EA68671" not in repr(found)


def test_a_badge_may_go_to_somebody_else(path: Path) -> None:
    text = "badge,owner,from,until\n1EA68671,anise,,2026-09-01\n1EA68671,birch,2026-09-01,\n"
    assert [one.owner for one in read(path, text)] == ["anise", "birch"]


def test_two_owners_at_one_time_stop_the_import_with_a_table(path: Path) -> None:
    text = "badge,owner,from\n1EA68671,anise,\n4CDDA15F,clover,\n1e a6 86 71,birch,2026-09-01\n"
    told = problems(path, text)
    assert "1 badge has two owners at the same time." in told
    assert "line 2      anise from always   and   line 4      birch from 2026-09-01" in told
    assert "1EA68671" not in told.upper().replace(" ", "")


def test_the_same_line_twice_is_no_collision(path: Path) -> None:
    assert len(read(path, "badge,owner,from\n1EA68671,anise,\n1EA68671,anise,2026-09-01\n")) == 2


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("1EA686,anise,", "line 2: badge refused (length)"),
        ("8804A3C6,anise,", "line 2: badge refused (truncated)"),
        (",anise,", "line 2: badge: is empty"),
        ("1EA68671,,", "line 2: owner: is empty"),
        ("1EA68671,anise,tomorrow", "line 2: from: is no date"),
        ("1.30369E+15,anise,", "line 2: badge: was rounded by a spreadsheet"),
        ("1EA68671,anise,2026-09-01,2026-09-01", "line 2: until: is not after from"),
    ],
)
def test_a_bad_line_is_named(path: Path, line: str, told: str) -> None:
    assert told in problems(path, f"badge,owner,from,until\n{line}\n")


def test_a_number_in_the_wrong_column_is_not_repeated(path: Path) -> None:
    told = problems(path, "badge,owner,from\nanise,x,514229873\nanise,1EA68671,514229873\n")
    assert "514229873" not in told


def test_glued_decimals_are_refused_and_not_enrolled(path: Path) -> None:
    """monkeyboard/Wiegand-Protocol-Library-for-Arduino#56: decimal bytes glued together."""
    told = problems(path, "badge,owner,from\n30166134113,anise,\n", BadgeForm("decimal-bytes", 32))
    assert "ambiguous" in told


def test_a_wrong_head_says_what_is_needed(path: Path) -> None:
    assert "the head must name badge, owner, from, and may name until" in problems(path, "card,name\n1,2\n")


def test_a_missing_file_says_which_setting_names_it(path: Path) -> None:
    with pytest.raises(BadSettings, match=r"\[badges\] directory names it"):
        read_directory(path, FORM)


# From the file to facts


def settings_of(path: Path, text: str) -> Settings:
    path.write_text(text, encoding="utf-8")
    form = BadgeFormSettings(encoding="hex", width_bits=32)
    return Settings(data_dir=path.parent, badges=BadgeSettings(directory=path, form=form))


def imported(path: Path, text: str, known: list[Fact], now_us: int) -> list[Bound]:
    """What an import adds to the facts; ``known`` grows by them."""
    directory = settings_of(path, text).directory()
    facts = list(binding_facts(directory, BadgeHasher(b"k" * 32, FORM), SiteRules.of(known), now_us))
    known += facts
    return facts


def owner(path: Path, known: list[Fact], number: str, at_us: int) -> str:
    del path
    return SiteRules.of(known).owner_of(BadgeHasher(b"k" * 32, FORM).seen(number).badge, at_us)


def test_what_is_known_already_is_not_said_again(path: Path) -> None:
    known: list[Fact] = []
    text = "badge,owner,from\n1EA68671,anise,\n"
    assert len(imported(path, text, known, NOON_US)) == 1
    assert imported(path, text, known, NOON_US + DAY_US) == []
    assert owner(path, known, "1EA68671", NOON_US) == "anise"


def test_a_badge_is_nobodys_before_the_directory_knew_it(path: Path) -> None:
    """What was found of a badge yesterday stays found, whatever is imported today."""
    known: list[Fact] = []
    imported(path, "badge,owner,from\n1EA68671,anise,\n", known, NOON_US)
    assert owner(path, known, "1EA68671", NOON_US - 1) == ""


def test_a_line_that_is_gone_ends_its_binding(path: Path) -> None:
    known: list[Fact] = []
    imported(path, "badge,owner,from\n1EA68671,anise,\n4CDDA15F,birch,\n", known, NOON_US)
    assert len(imported(path, "badge,owner,from\n4CDDA15F,birch,\n", known, NOON_US + DAY_US)) == 1
    assert owner(path, known, "1EA68671", NOON_US + DAY_US - 1) == "anise"
    assert owner(path, known, "1EA68671", NOON_US + DAY_US) == ""
    assert owner(path, known, "4CDDA15F", NOON_US + DAY_US) == "birch"


def test_a_new_end_replaces_the_old_one(path: Path) -> None:
    known: list[Fact] = []
    imported(path, "badge,owner,from,until\n1EA68671,anise,,\n", known, NOON_US)
    imported(path, "badge,owner,from,until\n1EA68671,anise,,2026-12-01\n", known, NOON_US + DAY_US)
    assert owner(path, known, "1EA68671", from_text("2026-11-30T23:00:00Z")) == "anise"
    assert owner(path, known, "1EA68671", from_text("2026-12-01T00:00:00Z")) == ""


def test_the_house_is_furnished_once_and_again_when_it_changes(tmp_path: Path) -> None:
    printers = (PrinterSettings(name="a", host="192.0.2.1", gateway="east"),)
    gateways = (GatewaySettings(name="east"), GatewaySettings(name="west"))
    settings = Settings(data_dir=tmp_path, gateways=gateways, printers=printers)
    known: list[Fact] = list(site_facts(settings, SiteRules.of([]), NOON_US))
    assert [type(fact) for fact in known] == [BadgePolicySet, Registered]
    assert list(site_facts(settings, SiteRules.of(known), NOON_US + 1)) == []
    moved = (PrinterSettings(name="a", host="192.0.2.1", gateway="west"),)
    other = Settings(data_dir=tmp_path, gateways=gateways, printers=moved)
    assert list(site_facts(other, SiteRules.of(known), NOON_US + 1)) == [Registered(NOON_US + 1, "a", "west")]


@pytest.mark.parametrize(
    ("members", "told"),
    [
        ({"encoding": "decimal"}, "set width_bits"),
        ({"width_bits": 32}, "name another encoding"),
        ({"encoding": "facility-card", "width_bits": 26}, "are 24 bits"),
        ({"encoding": "bits", "parity": "wiegand", "width_bits": 26}, "hold 24, 32, 35, 45 bits"),
        ({"encoding": "decimal-bytes", "parity": "wiegand"}, "leave parity out"),
        ({"encoding": "hex", "parity": "wiegand", "check_byte": "xor"}, "keep one"),
        ({"encoding": "bits", "byte_order": "least-first", "width_bits": 37}, "multiple of 8"),
    ],
)
def test_a_form_that_does_not_fit_together(members: dict[str, object], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        BadgeFormSettings.model_validate(members)
