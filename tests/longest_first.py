"""How test processes share files among them: what takes longest comes first, so that at the end none is waited for."""

from __future__ import annotations

from typing import Final

from xdist.scheduler import LoadFileScheduling
from xdist.workermanage import WorkerController

# Each takes half a minute and more, most of it waited; browsers, which work all the time, not beside one another. All
# others follow, the fullest file first.
LONG: Final = (
    "tests/acceptance/test_console.py",
    "tests/acceptance/test_clocks.py",
    "tests/acceptance/test_timelines.py",
    "tests/acceptance/test_notifications.py",
    "tests/acceptance/test_attacks.py",
    "tests/acceptance/test_demo_kept.py",
    "tests/acceptance/test_workers.py",
    "tests/acceptance/test_forwarding_kills.py",
    "tests/acceptance/test_rolling.py",
    "tests/acceptance/test_console_forms.py",
    "tests/acceptance/test_away_kills.py",
    "tests/acceptance/test_three_workers.py",
    "tests/acceptance/test_demo.py",
    "tests/acceptance/test_crash.py",
    "tests/acceptance/test_console_long.py",
    "tests/acceptance/test_simulate.py",
    "tests/acceptance/test_relay.py",
    "tests/acceptance/test_flips.py",
    "tests/acceptance/test_damage.py",
    "tests/integration/test_patroni.py",
    "tests/integration/test_postgres_failover.py",
    "tests/integration/test_spooled_readings.py",
    "tests/integration/test_debian_package.py",
    "tests/integration/test_upgrade.py",
    "tests/integration/test_college_year.py",
    "tests/integration/test_rolling_schema.py",
    "tests/integration/test_litestream.py",
    "tests/integration/test_containers.py",
)


class LongestFirst(LoadFileScheduling):  # type: ignore[misc]  # pytest-xdist says nothing of its types
    def _assign_work_unit(self, node: WorkerController) -> None:
        self.workqueue.move_to_end(min(self.workqueue, key=rank), last=False)
        super()._assign_work_unit(node)


def rank(path: str) -> int:
    return LONG.index(path) if path in LONG else len(LONG)
