"""``pagereeve doctor``."""

from __future__ import annotations

import asyncio
from pathlib import Path

from pagereeve.app.installation import examine
from pagereeve.cli.check_config import refuse_bad_files
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config
from pagereeve.cli.output import say, say_json
from pagereeve.reports.doctor import complaints_of, doctor_json, doctor_text
from pagereeve.settings import BadSettings, Settings, load_settings
from pagereeve.store.sqlite.files import JOURNAL_NAME


def doctor(*, json: AsJson = False, config: Config = CONFIG_DEFAULT) -> int:
    """Show on one page what is wrong and what to do, the worst first, with the daemon running or without.

    Exit status 0 if nothing is wrong, 1 if something is, 2 if the settings can't be read.
    """
    settings, problems = _settings(config)
    seen = asyncio.run(examine(settings, problems, settings.data_dir / JOURNAL_NAME))
    complaints = complaints_of(seen)
    if json:
        say_json(doctor_json(seen, complaints))
    else:
        say(doctor_text(seen, complaints))
    return 1 if any(not one.advice for one in complaints) else 0


def _settings(config: Path) -> tuple[Settings, list[str]]:
    """With what is wrong in the files that they name. Raises BadSettings where the settings themselves are wrong."""
    settings = load_settings(config)
    try:
        refuse_bad_files(settings, str(config))
    except BadSettings as error:
        return settings, [str(problem) for problem in error.problems]
    return settings, []
