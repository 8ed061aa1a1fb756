"""The Containerfile and what runs beside it. No container is run: its steps are read here, and a drill plays them."""

from __future__ import annotations

import asyncio
import json
import shlex
import shutil
import subprocess
import sys
from contextlib import AsyncExitStack
from functools import partial
from pathlib import Path
from typing import Any

import httpx2
import pytest
import yaml

from pagereeve.app.shipped_files import shipped
from pagereeve.cli import status_of
from pagereeve.settings import load_settings
from tests.containerfile import BUILD, CONTAINERFILE, LAST, of
from tests.integration.foreign import tool
from tests.integration.processes import accepts, free_tcp_port, running
from tests.integration.watchers import ask, until
from tests.unit.contrib.test_locks import exact, locked

ROOT = Path(__file__).parents[2]
LOOPBACK = "127.0.0.1:"
PAGEREEVE = [sys.executable, "-c", "import sys; from pagereeve.cli import main; main(sys.argv[1:])"]


def test_every_file_that_is_copied_is_there_and_in_the_context() -> None:
    rules = (ROOT / ".dockerignore").read_text(encoding="utf-8").splitlines()
    sources = [source for rest in of(BUILD, "COPY") for source in shlex.split(rest)[:-1]]
    assert len(sources) > 5
    assert [source for source in sources if not (ROOT / source).exists()] == []
    assert [source for source in sources if f"!{source.split('/')[0]}" not in rules] == []
    for rest in of(LAST, "COPY"):
        stage, source, target = shlex.split(rest)
        assert (stage, source) == ("--from=build", target)


def test_both_stages_have_one_base_of_one_version() -> None:
    lines = CONTAINERFILE.splitlines()
    (pinned,) = [line.removeprefix("ARG PYTHON=") for line in lines if line.startswith("ARG ")]
    assert len(pinned.split("-")[0].split(".")) == 3
    assert [line for line in lines if line.startswith("FROM")] == [
        "FROM python:${PYTHON} AS build",
        "FROM python:${PYTHON}",
    ]


def test_every_package_is_fetched_by_its_sum_and_none_otherwise() -> None:
    installs = [
        part for rest in of(BUILD, "RUN") for part in rest.split("&&") if " pip install" in part or " pip wheel" in part
    ]
    assert len(installs) == 4
    assert [part for part in installs if "--require-hashes" not in part and "--no-index" not in part] == []
    assert [rest for rest in of(LAST, "RUN") if "pip" in rest or "apt" in rest or "curl" in rest] == []


def test_it_runs_as_a_numbered_user_and_ends_on_sigterm() -> None:
    ((user,), (volume,), (signal,)) = (of(LAST, word) for word in ("USER", "VOLUME", "STOPSIGNAL"))
    number, group = map(int, user.split(":"))
    assert number > 999
    assert any(f"--gid {group} " in rest and f"--uid {number} " in rest for rest in of(LAST, "RUN"))
    assert any(f"-o {number} -g {group} {volume}" in rest for rest in of(LAST, "RUN"))
    assert signal == "SIGTERM"
    # Nothing after it is done as root.
    after = LAST[[name for name, _ in LAST].index("USER") :]
    assert {name for name, _ in after}.isdisjoint({"RUN", "COPY", "ADD"})


def test_its_health_check_is_a_command_of_the_program(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (rest,) = of(LAST, "HEALTHCHECK")
    program, *words = json.loads(rest.partition("CMD ")[2])
    assert json.loads(of(LAST, "ENTRYPOINT")[0]) == [program] == ["pagereeve"]
    config = tmp_path / "pagereeve.toml"
    config.write_text(f'data_dir = "data"\n[http]\nlisten = "127.0.0.1:{free_tcp_port()}"\n', encoding="utf-8")
    assert status_of([*words, "--config", str(config)]) == 1
    assert "nobody listens there" in capsys.readouterr().err


def test_the_image_has_the_versions_that_are_tested() -> None:
    dev = {name: exact(one) for name, (one, _) in locked(ROOT / "contrib" / "requirements.lock").items()}
    named = [word for rest in of(BUILD, "RUN") for word in shlex.split(rest) if word.endswith(".lock")]
    assert named == ["/locks/requirements-runtime.lock", "/locks/requirements-build.lock"]
    for path in named:
        found = {name: exact(one) for name, (one, _) in locked(ROOT / "contrib" / Path(path).name).items()}
        assert found.items() <= dev.items()


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What `pagereeve example compose` writes, with the secrets that its first lines have made."""
    folder = tmp_path_factory.mktemp("site")
    assert status_of(["example", "compose", "--into", str(folder)]) == 0
    (folder / "secrets").mkdir(mode=0o700)
    for name in ("release-server", "prometheus", "grafana-admin"):
        (folder / "secrets" / name).write_text(f"{name}-" + "0123456789abcdef" * 3 + "\n", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def services(site: Path) -> dict[str, Any]:
    composed = yaml.safe_load((site / "compose.yaml").read_text(encoding="utf-8"))
    assert set(composed) == {"name", "x-guarded", "services", "volumes"}
    named: dict[str, Any] = composed["services"]
    return named


def test_nothing_that_is_mounted_is_missing_and_nothing_that_is_written_is_unused(
    site: Path, services: dict[str, Any]
) -> None:
    volumes = yaml.safe_load((site / "compose.yaml").read_text(encoding="utf-8"))["volumes"]
    sources = {mount.split(":")[0] for one in services.values() for mount in one["volumes"]}
    assert {source for source in sources if not source.startswith("./")} == set(volumes)
    mounted = [site / source for source in sources if source.startswith("./")]
    assert [path for path in mounted if not path.exists()] == []
    compose = shipped("compose")
    assert compose is not None
    written = [site / compose.place_of(file) for file in compose.files]
    unused = [path.name for path in written if not any(path.is_relative_to(one) for one in mounted)]
    assert unused == ["compose.yaml"]


def test_every_port_is_on_loopback_and_every_service_is_guarded(services: dict[str, Any]) -> None:
    assert set(services) == {"pagereeve", "relay", "prometheus", "alertmanager", "grafana"}
    for name, one in services.items():
        assert one["ports"], name
        assert [port for port in one["ports"] if not port.startswith(LOOPBACK)] == []
        assert (one["read_only"], one["cap_drop"], one["security_opt"]) == (True, ["ALL"], ["no-new-privileges:true"])
        assert ":" in one["image"] or one["image"] == "pagereeve"
        assert not one["image"].endswith(":latest")


def test_the_daemons_health_check_is_the_images(services: dict[str, Any]) -> None:
    (rest,) = of(LAST, "HEALTHCHECK")
    assert services["pagereeve"]["healthcheck"]["test"] == ["CMD", *json.loads(rest.partition("CMD ")[2])]
    said = dict(option.removeprefix("--").split("=") for option in rest.split() if option.startswith("--"))
    composed = {
        key.replace("_", "-"): str(one) for key, one in services["pagereeve"]["healthcheck"].items() if key != "test"
    }
    assert composed == said


def test_its_settings_are_good_and_are_reached_by_the_names_that_are_used(site: Path) -> None:
    assert status_of(["check-config", str(site / "pagereeve.toml")]) == 0
    settings = load_settings(site / "pagereeve.toml")
    (job,) = yaml.safe_load((site / "prometheus.yml").read_text(encoding="utf-8"))["scrape_configs"]
    host, _, port = job["static_configs"][0]["targets"][0].partition(":")
    assert host in settings.http.names
    assert int(port) == settings.http.listen.port
    assert settings.data_dir == Path(of(LAST, "VOLUME")[0])


def test_grafanas_files_name_what_is_mounted(site: Path, services: dict[str, Any]) -> None:
    mounts = dict(mount.split(":")[1::-1] for mount in services["grafana"]["volumes"])
    provisioning = site / mounts["/etc/grafana/provisioning"]
    (source,) = yaml.safe_load((provisioning / "datasources" / "prometheus.yml").read_text(encoding="utf-8"))[
        "datasources"
    ]
    assert (source["type"], source["url"], source["isDefault"]) == ("prometheus", "http://prometheus:9090", True)
    (provider,) = yaml.safe_load((provisioning / "dashboards" / "pagereeve.yml").read_text(encoding="utf-8"))[
        "providers"
    ]
    dashboards = site / mounts[provider["options"]["path"]]
    names = [json.loads(path.read_text(encoding="utf-8"))["uid"] for path in dashboards.glob("*.json")]
    assert len(names) == len(set(names)) == 4
    assert services["grafana"]["environment"]["GF_SECURITY_ADMIN_PASSWORD__FILE"] in mounts


def test_alertmanager_reads_its_file_and_has_the_inhibit_rules_of_the_dashboards(site: Path) -> None:
    argv = [tool("amtool", "prometheus-alertmanager"), "check-config", str(site / "alertmanager.yml")]
    done = subprocess.run(argv, capture_output=True, text=True, check=False, timeout=30)
    assert done.returncode == 0, done.stderr
    composed = yaml.safe_load((site / "alertmanager.yml").read_text(encoding="utf-8"))
    example = yaml.safe_load((ROOT / "dashboards" / "alertmanager-inhibit.yml").read_text(encoding="utf-8"))
    assert composed["inhibit_rules"] == example["inhibit_rules"]


def here(site: Path, folder: Path, addresses: dict[str, str]) -> Path:
    """The mounted files of all services at their places on this machine: nothing but paths and addresses differs."""
    text = (site / "prometheus.yml").read_text(encoding="utf-8")
    for there, address in addresses.items():
        assert there in text
        text = text.replace(there, address)
    text = text.replace("/etc/prometheus/pagereeve.token", str(site / "secrets" / "prometheus"))
    text = text.replace("/etc/prometheus/rules", str(site / "rules")).replace("15s", "1s").replace("10s", "1s")
    path = folder / "prometheus.yml"
    path.write_text(text, encoding="utf-8")
    return path


async def test_prometheus_reads_the_daemon_with_its_token_and_finds_alertmanager(site: Path, tmp_path: Path) -> None:
    ports = {name: free_tcp_port() for name in ("pagereeve", "prometheus", "alertmanager")}
    folder = tmp_path / "etc"
    shutil.copytree(site, folder)
    settings = folder / "pagereeve.toml"
    text = settings.read_text(encoding="utf-8").replace("0.0.0.0:8731", f"127.0.0.1:{ports['pagereeve']}")
    settings.write_text(f'data_dir = "{tmp_path / "data"}"\n{text}', encoding="utf-8")
    config = here(
        site,
        tmp_path,
        {
            "pagereeve:8731": f"127.0.0.1:{ports['pagereeve']}",
            "alertmanager:9093": f"127.0.0.1:{ports['alertmanager']}",
        },
    )
    promtool = [tool("promtool", "prometheus"), "check", "config", str(config)]
    checked = await asyncio.to_thread(subprocess.run, promtool, capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stderr
    assert "3 rule files found" in checked.stdout
    commands = {
        "pagereeve": [*PAGEREEVE, "run", "--config", str(settings)],
        "alertmanager": [
            "prometheus-alertmanager",
            f"--config.file={site / 'alertmanager.yml'}",
            f"--storage.path={tmp_path / 'alertmanager'}",
            f"--web.listen-address=127.0.0.1:{ports['alertmanager']}",
            "--cluster.listen-address=",
        ],
        "prometheus": [
            "prometheus",
            f"--config.file={config}",
            f"--storage.tsdb.path={tmp_path / 'prometheus'}",
            f"--web.listen-address=127.0.0.1:{ports['prometheus']}",
        ],
    }
    base = f"http://127.0.0.1:{ports['prometheus']}"
    async with AsyncExitStack() as stack:
        for name, argv in commands.items():
            up = running(argv, partial(accepts, ports[name]), tmp_path / f"{name}.log")
            stack.enter_context(up)
        client = await stack.enter_async_context(httpx2.AsyncClient())

        async def scraped() -> bool | None:
            samples = await ask(client, base, 'up{job="pagereeve"}')
            return bool(samples and samples[0]["value"][1] == "1") or None

        async def found() -> bool | None:
            known = (await client.get(f"{base}/api/v1/alertmanagers")).json()["data"]["activeAlertmanagers"]
            return bool(known) or None

        await until(scraped, 20, lambda: "Prometheus did not scrape the daemon")
        await until(found, 20, lambda: "Prometheus did not find Alertmanager")
        refused = await client.get(f"http://127.0.0.1:{ports['pagereeve']}/metrics")
        assert refused.status_code == 401
