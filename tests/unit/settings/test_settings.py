"""Settings from file and environment: all or nothing, and every error told at once. All names here are invented."""

from __future__ import annotations

import traceback
from pathlib import Path

import pytest
from pydantic import SecretStr, ValidationError

from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.settings import (
    BadSettings,
    Duration,
    HostPort,
    HttpSettings,
    PolicyOverrides,
    PolicySettings,
    PrinterSettings,
    Settings,
    load_settings,
)

SECRET = "s3cr3t-x"
TWIN = 'name = "{}"\nlisten = "127.0.0.1:9"\ngateway = "g"\n'


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "pagereeve.toml"
    path.write_text(text, encoding="utf-8")
    return path


def problems(path: Path, environment: dict[str, str] | None = None) -> dict[str, str]:
    """Where and what is wrong."""
    with pytest.raises(BadSettings) as caught:
        load_settings(path, environment or {})
    assert len({problem.where for problem in caught.value.problems}) == len(caught.value.problems)
    assert all(str(problem) in str(caught.value) for problem in caught.value.problems)
    return {problem.where: problem.text for problem in caught.value.problems}


def test_an_empty_file_gives_the_defaults(tmp_path: Path) -> None:
    assert load_settings(written(tmp_path, ""), {}) == Settings()


def test_the_default_policy_is_the_domains_own() -> None:
    assert PolicySettings().to_policy() == Policy()


def test_file_values_arrive_typed(tmp_path: Path) -> None:
    settings = load_settings(
        written(
            tmp_path,
            """
            [http]
            listen = "[::1]:0"
            wait_max = "1m"
            [policy]
            settle = "2s"
            tolerance_share = 0.015
            separator_sheets = "unknown"
            [[gateways]]
            name = "gw"
            host = "192.0.2.1"
            [[printers]]
            name = "p1"
            host = "192.0.2.1"
            port = 16101
            gateway = "gw"
            policy = { charging = "none" }
            [[feeds.lines]]
            name = "badges"
            listen = "127.0.0.1:0"
            terminator = "cr"
            encoding = "hex"
            [[relays]]
            name = "passing"
            listen = "127.0.0.1:0"
            forward_to = "192.0.2.9:9100"
            gateway = "gw"
            """,
        ),
        {},
    )
    assert settings.http.listen == HostPort("::1", 0)
    assert settings.http.wait_max.seconds == 60.0
    policy = settings.policy.to_policy()
    assert (policy.settle_us, policy.tolerance_permille, policy.separator_sheets) == (2_000_000, 15, None)
    assert settings.feeds.lines[0].terminator_bytes == b"\r"
    assert [relay.forward_to for relay in settings.relays] == [HostPort("192.0.2.9", 9100)]
    assert settings.relay_socket_path == settings.data_dir / "relay.sock"
    (printer,) = settings.printers
    assert settings.policy_of(printer) == Policy(
        settle_us=2_000_000, tolerance_permille=15, separator_sheets=None, charging="none"
    )


def test_a_printer_overrides_only_the_rules_that_it_writes_even_with_the_default_value() -> None:
    general = PolicySettings(settle=Duration.of("30s"), charging="released")
    own = PolicyOverrides(charging="lesser")
    assert own.over(general) == PolicySettings(settle=Duration.of("30s"), charging="lesser")


def test_the_environment_wins_over_the_file(tmp_path: Path) -> None:
    path = written(tmp_path, '[http]\nlisten = "127.0.0.1:1"\nbatch_max = 7\n')
    settings = load_settings(path, {"PAGEREEVE_HTTP__LISTEN": "127.0.0.1:2", "PAGEREEVE_DATA_DIR": "/srv/p"})
    assert (settings.http.listen.port, settings.http.batch_max, settings.data_dir) == (2, 7, Path("/srv/p"))


@pytest.mark.parametrize("listen", ["[::1]:80", "127.0.0.1:80"])
def test_a_variable_with_brackets_need_not_be_json(tmp_path: Path, listen: str) -> None:
    settings = load_settings(written(tmp_path, ""), {"PAGEREEVE_HTTP__LISTEN": listen})
    assert settings.http.listen == HostPort.of(listen)


def test_a_table_and_its_member_in_the_environment_are_an_error_or_fit_but_do_not_crash(tmp_path: Path) -> None:
    found = problems(written(tmp_path, ""), {"PAGEREEVE_HTTP": "x", "PAGEREEVE_LOG__LEVEL__X": "y"})
    assert set(found) == {"http", "log.level"}


def test_lists_come_from_the_environment_as_json(tmp_path: Path) -> None:
    rows = '[{"name": "p1", "host": "192.0.2.1"}]'
    assert load_settings(written(tmp_path, ""), {"PAGEREEVE_PRINTERS": rows}).printers[0].name == "p1"


def test_settings_built_in_code_ignore_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PAGEREEVE_HTTP__BATCH_MAX", "7")
    assert Settings().http.batch_max == HttpSettings().batch_max


def test_relative_paths_are_relative_to_the_file(tmp_path: Path) -> None:
    text = 'data_dir = "var"\n[http]\ntoken_files = ["t", "/abs"]\n[badges]\nkey_file = "k"\n[people]\nfile = "p.csv"\n'
    text += '[[printers]]\nname = "p"\nhost = "h"\ncommunity_file = "c"\n'
    settings = load_settings(written(tmp_path, text), {})
    assert settings.data_dir == tmp_path / "var"
    assert settings.http.token_files == (tmp_path / "t", Path("/abs"))
    assert settings.badge_key_file == tmp_path / "k"
    assert settings.people.file == tmp_path / "p.csv"
    assert settings.printers[0].community_file == tmp_path / "c"


def test_without_a_key_file_the_key_lies_in_the_data_folder() -> None:
    assert Settings(data_dir=Path("/srv/p")).badge_key_file == Path("/srv/p/badge.key")


def test_everything_that_is_wrong_is_told_at_once(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        """
        htp = 3
        [http]
        listen = "127.0.0.1"
        batch_max = true
        [watch]
        poll_first = "1m"
        poll_longest = "1s"
        [policy]
        settle = "2 parsecs"
        separator_sheets = 7
        tolerance_share = 0.0005
        [[printers]]
        name = "north 1"
        host = "192.0.2.1"
        [[printers]]
        name = "n2"
        adress = "192.0.2.1"
        gateway = "g2"
        policy = { chargin = "none", charging = "all" }
        [[gateways]]
        name = "g1"
        [[gateways]]
        name = "g1"
        """,
    )
    found = problems(path, {"PAGEREEVE_LOGG": "1", "PAGEREEVE_HTTP__WAIT": "2", "PAGEREEVE_LOG__LEVEL": "loud"})
    assert set(found) == {
        "htp",
        "http.listen",
        "http.batch_max",
        "http.wait",
        "log.level",
        "watch",
        "policy.settle",
        "policy.separator_sheets",
        "policy.tolerance_share",
        "[[printers]] 'north 1' (line 13), name",
        "[[printers]] 'n2' (line 16), host",
        "[[printers]] 'n2' (line 16), adress",
        "[[printers]] 'n2' (line 16), policy.chargin",
        "[[printers]] 'n2' (line 16), policy.charging",
        "[[printers]] 'n2' (line 16), gateway",
        "the 2nd [[gateways]] ('g1', line 23), name",
        "environment variable PAGEREEVE_LOGG",
    }
    assert "did you mean 'http'?" in found["htp"]
    assert "did you mean 'wait_max'?" in found["http.wait"]
    assert "did you mean 'charging'?" in found["[[printers]] 'n2' (line 16), policy.chargin"]
    assert "host" in found["[[printers]] 'n2' (line 16), adress"]
    assert "poll_first (1m) is longer than poll_longest (1s)" in found["watch"]
    assert "did you mean 'log'?" in found["environment variable PAGEREEVE_LOGG"]


def test_a_setting_in_the_wrong_table_is_told_its_own(tmp_path: Path) -> None:
    found = problems(written(tmp_path, '[http]\nsleeper_backoff_max = "1h"\n'))
    assert found == {"http.sleeper_backoff_max": "is no setting; there is one in [watch]"}


KNOWN = '[[gateways]]\nname="g"\nhost="h"\n'


@pytest.mark.parametrize(
    ("text", "where"),
    [
        (
            '[[printers]]\nname="a"\nhost="h"\n[[printers]]\nname="a"\nhost="i"\n',
            "the 2nd [[printers]] ('a', line 4), name",
        ),
        (
            '[[printers]]\nname="a"\nhost="H"\n[[printers]]\nname="b"\nhost="h"\nport=161\n',
            "[[printers]] 'b' (line 4), host and port",
        ),
        (
            '[[printers]]\nname="a"\nhost="h"\nserial="1"\n[[printers]]\nname="b"\nhost="i"\nserial="1"\n',
            "[[printers]] 'b' (line 5), serial",
        ),
        ('[[printers]]\nname="a"\nhost="h"\nunit_grade="inferred-from-model"\n', "[[printers]] 'a' (line 1)"),
        ('[[gateways]]\nname="a"\nhost="h"\n[[gateways]]\nname="b"\nhost="h"\n', "[[gateways]] 'b' (line 4), host"),
        ('[[feeds.lines]]\nname="a"\nlisten="127.0.0.1:0"\n', "[[feeds.lines]] 'a' (line 1), gateway"),
        ('[[feeds.lines]]\nname="a"\nlisten="127.0.0.1:0"\ngateway="x"\n', "[[feeds.lines]] 'a' (line 1), gateway"),
        (
            '[[gateways]]\nname="g"\n' + "".join(f"[[feeds.lines]]\n{TWIN.format(name)}" for name in "ab"),
            "[[feeds.lines]] 'b' (line 7), listen",
        ),
        (
            '[[gateways]]\nname="g"\n[[feeds.lines]]\n'
            + TWIN.format("a")
            + f"[[relays]]\nforward_to='h:1'\n{TWIN.format('b')}",
            "[[relays]] 'b' (line 7), listen",
        ),
        ('[[relays]]\nname="a"\nlisten="127.0.0.1:0"\nforward_to="h:1"\n', "[[relays]] 'a' (line 1), gateway"),
        (
            '[[gateways]]\nname="g"\nhost="h"\n[[relays]]\nname="a"\nlisten="h:1"\nforward_to="h:0"\n',
            "[[relays]] 'a' (line 4), forward_to",
        ),
        (
            f'relay_socket="{"d" * 120}"\n{KNOWN}[[relays]]\nname="a"\nlisten="h:1"\nforward_to="h:2"\n',
            "relay_socket",
        ),
    ],
)
def test_tables_that_do_not_fit_together_are_refused(tmp_path: Path, text: str, where: str) -> None:
    assert set(problems(written(tmp_path, text))) == {where}


def test_a_tee_is_pointed_to_the_relays(tmp_path: Path) -> None:
    lines = '[[feeds.lines]]\nname="a"\nlisten="h:1"\ngateway="g"\ntee="h:2"\n'
    found = problems(written(tmp_path, f'[[gateways]]\nname="g"\n{lines}'))
    assert list(found) == ["[[feeds.lines]] 'a' (line 3), tee"]
    assert "[[relays]] with forward_to" in found["[[feeds.lines]] 'a' (line 3), tee"]


def test_tables_built_in_code_must_fit_together_too() -> None:
    with pytest.raises(ValidationError, match="no gateway of"):
        Settings(printers=(PrinterSettings(name="p", host="h", gateway="none"),))


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (b"a = \xff\n", "line 1: is not UTF-8"),
        (b"[http\n", "is no TOML"),
        (b"a = 1\na = 2\n", "is no TOML"),
        (b"a = " + b"[" * 100_000, "is no TOML"),
    ],
)
def test_a_file_that_is_no_toml_is_refused(tmp_path: Path, raw: bytes, text: str) -> None:
    path = tmp_path / "bad.toml"
    path.write_bytes(raw)
    with pytest.raises(BadSettings, match=text):
        load_settings(path, {})


def test_a_missing_file_is_named_and_the_example_pointed_to(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match=r"none\.toml(?s:.*)can't be read(?s:.*)pagereeve example settings"):
        load_settings(tmp_path / "none.toml", {})


@pytest.mark.parametrize("wrong", ["printers = 3", "printers = [3]", "http = []", "feeds = {lines = {}}", "feeds = 1"])
def test_tables_of_the_wrong_shape_are_refused_not_crashed_on(tmp_path: Path, wrong: str) -> None:
    assert problems(written(tmp_path, wrong))


def test_settings_cannot_be_changed_afterwards() -> None:
    with pytest.raises(ValidationError, match="frozen"):
        Settings().http.batch_max = 3


def test_a_community_comes_from_a_file_the_environment_or_the_settings(tmp_path: Path) -> None:
    file = tmp_path / "community"
    file.write_text(f"{SECRET}\n", encoding="utf-8")
    settings = Settings(
        printers=(
            PrinterSettings(name="a", host="h", community_file=file, version="1", serial="S1", object_id="1.3.6"),
            PrinterSettings(name="b", host="h", port=162, community_env="B_COMMUNITY"),
            PrinterSettings(name="c", host="h", port=163, community=SecretStr("inside")),
            PrinterSettings(name="d", host="::1"),
        )
    )
    targets = settings.targets({"B_COMMUNITY": "from-env"})
    assert [target.community for target in targets] == [SECRET, "from-env", "inside", "public"]
    first = targets[0]
    assert (first.printer, first.host, first.port, first.version) == ("a", "h", 161, "1")
    assert (first.serial, first.object_id) == ("S1", "1.3.6")


def test_every_secret_that_cannot_be_had_is_named_without_its_content(tmp_path: Path) -> None:
    contents = {"empty": b"", "broken": SECRET.encode() + b"\xff", "two": f"{SECRET}\n{SECRET}".encode()}
    contents["long"] = SECRET.encode() * 1000
    for name, raw in contents.items():
        (tmp_path / name).write_bytes(raw)
    names = [*contents, "absent"]
    printers = [
        PrinterSettings(name=name, host="h", port=port, community_file=tmp_path / name)
        for port, name in enumerate(names, 1000)
    ]
    printers.append(PrinterSettings(name="env", host="h", community_env="NOT_THERE"))
    with pytest.raises(BadSettings) as caught:
        Settings(printers=tuple(printers)).targets({})
    assert [problem.where for problem in caught.value.problems] == [f"printer {name}" for name in [*names, "env"]]
    shown = "".join(traceback.format_exception(caught.value))
    assert "s3c" not in shown
    assert "NOT_THERE" in shown


@pytest.mark.parametrize(
    "text",
    [
        f'[[printers]]\nname="p"\nhost="h"\ncommunity="{SECRET}"\ncommunity_env="E"\n',
        f'[[printers]]\nname="p"\nhost="h"\ncommunity="{SECRET * 40}"\n',
        f'[[printers]]\nname="p"\nhost="h"\ncommunity=["{SECRET}"]\n',
        f'[[printers]]\nname="p"\nhost="h"\ncomunity="{SECRET}"\n',
        f'[[printers]]\nname="p"\nhost="h"\ncommunity={SECRET}\n',
        f'[http]\ntoken="{SECRET}"\n',
    ],
)
def test_an_error_beside_a_secret_does_not_show_it(tmp_path: Path, text: str) -> None:
    with pytest.raises(BadSettings) as caught:
        load_settings(written(tmp_path, text), {})
    assert "s3c" not in "".join(traceback.format_exception(caught.value))


def test_an_error_in_the_environment_does_not_show_its_text(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match="printers: input should be a valid tuple") as caught:
        load_settings(written(tmp_path, ""), {"PAGEREEVE_PRINTERS": f"[{SECRET}"})
    assert "s3c" not in "".join(traceback.format_exception(caught.value))


def test_settings_shown_as_text_hide_the_community() -> None:
    printer = PrinterSettings(name="p", host="h", community=SecretStr(SECRET))
    settings = Settings(printers=(printer,))
    assert "s3c" not in f"{settings!r}{settings}{settings.model_dump_json()}{settings.targets({})!r}"


def test_a_variable_with_our_prefix_may_hold_a_community(tmp_path: Path) -> None:
    path = written(tmp_path, '[[printers]]\nname="p"\nhost="h"\ncommunity_env="PAGEREEVE_P"\n')
    environment = {"PAGEREEVE_P": SECRET, "PAGEREEVE_SETTINGS": str(path), "OTHER": "x"}
    assert load_settings(path, environment).targets(environment)[0].community == SECRET


def test_tokens_are_read_from_their_files_and_all_faults_told(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("an-invented-token-in-a\n", encoding="utf-8")
    good = Settings(http=HttpSettings(token_files=(tmp_path / "a",)))
    assert [one.secret.get_secret_value() for one in good.http_credentials()] == ["an-invented-token-in-a"]
    bad = Settings(http=HttpSettings(token_files=(tmp_path / "b", tmp_path / "a", tmp_path / "c")))
    with pytest.raises(BadSettings, match=r"token_files, 'b'(?s:.*)token_files, 'c'"):
        bad.http_credentials()


@pytest.mark.parametrize(
    ("entry", "grade"),
    [
        ('unit = "sheets"', UnitGrade.PROVEN),
        ('unit = "sheets"\nunit_grade = "proven"', UnitGrade.PROVEN),
        ('unit = "sheets"\nunit_grade = "inferred-from-model"', UnitGrade.INFERRED),
    ],
)
def test_an_entry_says_how_its_unit_is_known(tmp_path: Path, entry: str, grade: UnitGrade) -> None:
    text = f'[policy]\ncharging_needs = "inferred"\n[[printers]]\nname = "a"\nhost = "h"\n{entry}\n'
    settings = load_settings(written(tmp_path, text), {})
    (target,) = settings.targets()
    assert (target.unit, target.unit_grade) == (Unit.SHEETS, grade)
    assert settings.policy_of(settings.printers[0]).charging_needs is UnitGrade.INFERRED
