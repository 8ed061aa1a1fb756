"""``pagereeve prove`` at a terminal: what is asked, and that paper is used only after the word yes."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import sys
from pathlib import Path

import pytest

from pagereeve.settings import load_settings
from tests.integration.installation import an_installation
from tests.integration.test_proof_cli import pagereeve, settings_of

CHUNK_BYTES = 65_536
WITHIN_S = 60.0


class Session:
    """One command with a terminal for stdin and stderr, and a person who answers."""

    def __init__(self, process: asyncio.subprocess.Process, terminal: int) -> None:
        self._process = process
        self._terminal = terminal
        self.seen = ""

    async def answer(self, question: str, words: str) -> None:
        """Wait for the question, then type."""
        async with asyncio.timeout(WITHIN_S):
            while question not in self.seen:
                raw = await asyncio.get_running_loop().run_in_executor(None, os.read, self._terminal, CHUNK_BYTES)
                self.seen += raw.decode()
        self.seen = self.seen.partition(question)[2]
        os.write(self._terminal, words.encode() + b"\n")

    async def end(self) -> tuple[int, str]:
        """Exit status and stdout."""
        out, _ = await asyncio.wait_for(self._process.communicate(), WITHIN_S)
        os.close(self._terminal)
        return self._process.returncode or 0, out.decode()


async def at_terminal(*arguments: str) -> Session:
    ours, theirs = pty.openpty()
    process = await asyncio.create_subprocess_exec(
        str(Path(sys.executable).with_name("pagereeve")),
        *arguments,
        stdin=theirs,
        stdout=asyncio.subprocess.PIPE,
        stderr=theirs,
    )
    os.close(theirs)
    return Session(process, ours)


async def test_panel_and_paper_are_asked_for_and_the_answers_count(tmp_path: Path) -> None:
    async with an_installation() as here:
        options = ("--config", str(settings_of(tmp_path, here)), "--print", "--quiet", "0.2", "--json")
        session = await at_terminal("prove", "north-1", *options)
        await session.answer("3 jobs on 1 printer, 7 sheets at most. Type yes to go on: ", "yes")
        await session.answer("All pages as north-1's panel or counter page shows them", "a thousand")
        await session.answer("That is no whole number.", "1,000")
        await session.answer("Sheets in north-1's tray from 'two-sided, 3 pages'", "7")
        await session.answer("That can't be: the job gives 2 to 3 sheets.", "2")
        status, out = await session.end()
        assert status == 0, out
        (proof,) = json.loads(out)
        outcomes = {stage["name"]: stage["outcome"] for stage in proof["stages"]}
        assert set(outcomes.values()) == {"passed"}
        assert proof["calibration"]["blank_backs"] == "not-counted"
        assert len(here.engine.truth) == 6


@pytest.mark.parametrize("word", ["no", "", "y", "yes please"])
async def test_any_other_word_prints_nothing(tmp_path: Path, word: str) -> None:
    async with an_installation() as here:
        session = await at_terminal("prove", "north-1", "--print", "--config", str(settings_of(tmp_path, here)))
        await session.answer("Type yes to go on: ", word)
        assert (await session.end())[0] == 2
        assert here.engine.truth == []


async def test_a_panel_nobody_has_at_hand_is_left_out(tmp_path: Path) -> None:
    async with an_installation() as here:
        options = ("--config", str(settings_of(tmp_path, here)), "--quiet", "0.2")
        session = await at_terminal("prove", "north-1", *options)
        await session.answer("north-1's panel", "")
        status, out = await session.end()
        assert status == 0
        assert "no value of the panel was given" in out


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        (("--yes",), "--yes belongs to --print"),
        (("--panel", "-1"), "none is below 0"),
        (("--port", "0"), "1 to 65535"),
        (("--web", "65536"), "1 to 65535"),
        (("gone", "--panel", "3"), "one printer's figures"),
        (("gone", "--sheets-seen", "3"), "one printer's figures"),
        (("--sheets-seen", "2"), "it goes with --print"),
        (("--print", "--yes", "--sheets-seen", "0"), "--sheets-seen is 2 or 3"),
        (("--print", "--yes", "--sheets-seen", "7"), "--sheets-seen is 2 or 3"),
        (("--print", "--yes", "--sheets-seen", "-1"), "none is below 0"),
        (("--print", "--yes", "--language", "text", "--sheets-seen", "2"), "which this --language can't ask for"),
        (("--language", "latin"), "latin"),
    ],
)
async def test_what_does_not_go_together_is_refused(tmp_path: Path, wrong: tuple[str, ...], told: str) -> None:
    async with an_installation() as here:
        config = settings_of(tmp_path, here)
        status, out, err = await pagereeve("prove", "north-1", *wrong, "--config", str(config))
        assert (status, out) == (2, "")
        assert told in err


async def test_a_secret_that_can_not_be_read_is_bad_input_and_not_a_crash(tmp_path: Path) -> None:
    async with an_installation() as here:
        config = settings_of(tmp_path, here, community_file="not-there")
        status, _, err = await pagereeve("prove", "north-1", "--config", str(config))
        assert status == 2
        assert "printer north-1" in err
        assert "Traceback" not in err


async def test_the_entry_keeps_what_the_file_says_of_the_printer(tmp_path: Path) -> None:
    async with an_installation() as here:
        config = settings_of(tmp_path, here, site="Ground floor")
        text = config.read_text().replace(
            '[[printers]]\nname = "gone"',
            'policy = { charging = "none", separator_sheets = "unknown", settle = "21s" }\n[[printers]]\nname = "gone"',
        )
        config.write_text(text)
        status, out, _ = await pagereeve("prove", "north-1", "--config", str(config), "--quiet", "0", "--json")
        assert status == 0, out
        (tmp_path / "entry.toml").write_text(json.loads(out)[0]["entry"])
        (entry,) = load_settings(tmp_path / "entry.toml", {}).printers
        assert (entry.site, entry.serial, entry.policy.charging) == ("Ground floor", "SIM-4711", "none")
        assert (entry.policy.separator_sheets, str(entry.policy.settle)) == (None, "21s")
        assert entry.policy.model_fields_set == {"charging", "separator_sheets", "settle"}


async def test_the_print_port_of_the_command_line_wins(tmp_path: Path) -> None:
    async with an_installation() as here:
        config = settings_of(tmp_path, here, print_port=1)
        port = str(here.plan.print_port)
        options = ("--config", str(config), "--quiet", "0", "--port", port, "--web", port, "--json")
        status, out, _ = await pagereeve("prove", "north-1", *options)
        assert status == 0, out
        (ports,) = [stage for stage in json.loads(out)[0]["stages"] if stage["name"] == "ports"]
        assert ports["came"] == f"{port} open, {port} open"
