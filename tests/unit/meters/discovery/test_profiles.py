"""Makers' counters as data: what a file may say, and the records of an octet string."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import pagereeve.meters.discovery.profile as module
from pagereeve.domain.facts.reading import Unit
from pagereeve.meters.discovery.consistency import ShownCount, check
from pagereeve.meters.discovery.profile import BadProfile, profile_from, profiles_with, shipped_profiles
from pagereeve.meters.discovery.records import record_of
from pagereeve.meters.snmp.ber import DecodeError

GOOD = """
name = "house"
maker = "A maker"
object_ids = ["1.3.6.1.4.1.32473.1"]
sources = ["a test print"]
evidence = "Ten pages, ten steps."
[[channels]]
name = "total"
unit = "impressions"
objects = ["1.3.6.1.4.1.32473.1.5.0"]
"""


def test_every_shipped_profile_says_whence_it_has_its_figures() -> None:
    profiles = list(shipped_profiles())
    assert len(profiles) >= 12
    for profile in profiles:
        assert profile.sources
        assert len(profile.evidence) > 60, profile.name
        assert any(channel.name in {"total", "prints"} for channel in profile.channels)


def test_no_two_shipped_profiles_are_for_the_same_device() -> None:
    claimed = [one for profile in shipped_profiles() for one in profile.object_ids]
    assert len(claimed) == len(set(claimed))


def test_the_longest_beginning_wins_and_only_whole_arcs_count() -> None:
    profiles = shipped_profiles()
    chosen = {
        "1.3.6.1.4.1.11.2.3.9.1": "hp",
        "1.3.6.1.4.1.2435.2.3.9.1": "brother",
        "1.3.6.1.4.1.674.10898.2.100.100.51.1094474004": "lexmark",
        "1.3.6.1.4.1.367.1.1": "ricoh",
    }
    for object_id, name in chosen.items():
        profile = profiles.of_object_id(object_id)
        assert profile is not None
        assert profile.name == name
    for stranger in ("1.3.6.1.4.1.24350", "1.3.6.1.4.1.25", "", "1.3.6.1.4.1.674.10898.10.52"):
        assert profiles.of_object_id(stranger) is None, stranger


def test_the_folders_readme_explains_every_key() -> None:
    text = (Path(module.__file__).parent / "profiles" / "README.md").read_text()
    keys = set(module.Profile.model_fields) | set(module.ProfileChannel.model_fields)
    for key in keys | set(module.ProfileRows.model_fields) | set(module.Records.model_fields):
        assert f"`{key}`" in text or f"[[{key}]]" in text, key


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (('"house"', '"House"'), "name"),
        (('["1.3.6.1.4.1.32473.1"]', "[]"), "object_ids"),
        (('"impressions"', '"pages"'), "channels.0.unit"),
        (('"total"', '"totl"'), "channels.0.name"),
        (("1.5.0", "1.x.0"), "channels.0.objects.0"),
        (('objects = ["1.3.6.1.4.1.32473.1.5.0"]', ""), "one of objects, records and rows"),
        (('unit = "impressions"', 'unit = "impressions"\nmodulus = 7'), "channels.0.modulus"),
        (('unit = "impressions"', 'unit = "impressions"\nunti = 7'), "channels.0.unti"),
        (('objects = ["1.3.6.1.4.1.32473.1.5.0"]', 'rows = {values = "1.3.6", called = ["x"]}'), "belong together"),
        (("name", "name ="), "no TOML"),
    ],
)
def test_a_bad_profile_is_refused_with_its_file_and_place(change: tuple[str, str], complaint: str) -> None:
    with pytest.raises(BadProfile, match=f"^house.toml: .*{re.escape(complaint)}"):
        profile_from(GOOD.replace(*change), "house.toml")


def test_a_sites_own_profile_replaces_the_one_of_its_name(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(GOOD.replace('"house"', '"hp"'))
    profiles = profiles_with(tmp_path)
    assert len(profiles) == len(shipped_profiles())
    named = profiles.named("hp")
    assert named is not None
    assert named.maker == "A maker"
    profiles.require(["hp", "none", ""])
    with pytest.raises(BadProfile, match=r"no profile is called hq; known are brother"):
        profiles.require(["hq"])


def test_a_folder_without_profiles_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(BadProfile, match="no profile"):
        profiles_with(tmp_path)
    (tmp_path / "x.toml").write_bytes(b"\xff")
    with pytest.raises(BadProfile, match="not UTF-8"):
        profiles_with(tmp_path)


def test_records_are_taken_by_their_length() -> None:
    # Recorded: a record of one octet stands beside records of four (bieniu/brother, tests/fixtures/hl-5350dn.json).
    content = bytes.fromhex("00010400000d38 0601 0105 0201 0400000c7f ff".replace(" ", ""))
    assert [record_of(content, tag) for tag in (0, 6, 2, 1)] == [3384, 5, 3199, None]
    assert record_of(content[:-1], 2) == 3199


@pytest.mark.parametrize("broken", ["00", "0001", "000104000000", "00010400000d3806"])
def test_a_list_of_records_that_breaks_off_is_no_count(broken: str) -> None:
    with pytest.raises(DecodeError, match="breaks off"):
        record_of(bytes.fromhex(broken), 0)


@given(st.binary(max_size=200), st.integers(0, 254))
def test_any_octets_are_records_or_refused(content: bytes, tag: int) -> None:
    try:
        value = record_of(content, tag)
    except DecodeError:
        return
    assert value is None or 0 <= value < 2**64


def shown(value: int, source: str = "a maker", unit: Unit | None = Unit.IMPRESSIONS) -> ShownCount:
    return ShownCount(value, unit, source)


def culprits(**channels: ShownCount) -> set[str]:
    return {name for verdict in check(channels) for name in verdict.culprits}


def test_parts_are_held_against_the_total() -> None:
    total = shown(1000, "Printer-MIB")
    # Tylan/check_snmp_printer#13: picked and printed differ by a few.
    assert culprits(total=total, mono=shown(1004)) == set()
    # fusioninventory/fusioninventory-agent#638: a part is larger than the total
    assert culprits(total=total, mono=shown(4000)) == {"mono"}
    assert culprits(total=total, mono=shown(900), colour=shown(900)) == {"mono", "colour"}
    assert culprits(total=total, mono=shown(100), colour=shown(100)) == {"mono", "colour"}
    assert culprits(total=total, mono=shown(600), colour=shown(390), blank=shown(10)) == set()
    assert culprits(total=total, mono=shown(100), colour=shown(100), prints=shown(200)) == set()
    assert culprits(total=total, prints=shown(600), copies=shown(600)) == {"prints", "copies"}
    assert culprits(total=total, prints=shown(10), copies=shown(10)) == set()


def test_a_total_of_the_same_source_falls_with_its_part() -> None:
    assert culprits(total=shown(1000), mono=shown(4000)) == {"mono", "total"}


def test_sides_and_sheets_are_not_compared_but_for_what_can_not_be() -> None:
    total = shown(1000, "Printer-MIB", Unit.SHEETS)
    assert culprits(total=total, mono=shown(1900)) == set()
    sides = shown(1000, "Printer-MIB")
    assert culprits(total=sides, sheets=shown(1100, unit=Unit.SHEETS)) == {"sheets"}
    assert culprits(total=sides, duplex=shown(1100, unit=None)) == {"duplex"}


def test_without_a_total_there_is_nothing_to_compare_with() -> None:
    assert check({"mono": shown(5)}) == []
