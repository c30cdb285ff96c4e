"""What is installed from the wheel works elsewhere: code, templates, static files and demo pieces travel."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path
from zipfile import ZipFile

import httpx
import pytest

from server.settings import resource_dir
from tests.faults.process import running
from tests.forks import free_port

CHECKOUT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(CHECKOUT)]
    subprocess.run(build, check=True, capture_output=True, timeout=120)
    (wheel,) = out.glob("spareshaft-*-py3-none-any.whl")
    return wheel


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The programs of a new environment with the wheel in it; what it depends on is borrowed from ours."""
    environment = tmp_path_factory.mktemp("elsewhere") / "environment"
    venv.create(environment, with_pip=False)
    programs = environment / "bin"
    python = str(programs / "python")
    pip = [sys.executable, "-m", "pip", "--python", python]
    install = [*pip, "install", "--no-deps", "--no-index", str(wheel)]
    subprocess.run(install, check=True, capture_output=True, timeout=120)
    (site,) = environment.glob("lib/python*/site-packages")
    (site / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return programs


def test_the_wheel_has_every_file_that_is_not_code(wheel: Path) -> None:
    with ZipFile(wheel) as files:
        names = set(files.namelist())
    for folder in ("templates", "static", "demo_data"):
        ours = [path for path in resource_dir(folder).rglob("*") if path.is_file()]
        assert ours
        for path in ours:
            assert f"server/{folder}/{path.relative_to(resource_dir(folder)).as_posix()}" in names
    assert any(name.endswith("licenses/LICENSE") for name in names)
    assert not any(name.startswith("tests") for name in names)


def test_it_serves_from_another_folder(installed: Path, tmp_path: Path) -> None:
    where = subprocess.run(
        [str(installed / "python"), "-c", "import server; print(server.__file__)"],
        capture_output=True,
        check=True,
        text=True,
        cwd=tmp_path,
    )
    assert Path(where.stdout.strip()).is_relative_to(installed.parent)
    port = free_port()
    command = [str(installed / "spareshaft")]
    with (
        running(tmp_path / "data", port, command=command, cwd=tmp_path),
        httpx.Client(base_url=f"http://127.0.0.1:{port}") as browser,
    ):
        page = browser.get("/")
        assert page.status_code == 200
        linked = set(re.findall(r'(?:src|href)="(/static/[^"]+)"', page.text))
        assert {Path(address).suffix for address in linked} >= {".css", ".js"}
        assert any(address.endswith("/htmx.js") for address in linked)
        for address in linked:
            answer = browser.get(address)
            assert answer.status_code == 200
            assert len(answer.content) > 100
        assert browser.get("/preferences").status_code == 200
        assert browser.get("/nowhere").status_code == 404


def test_it_plans_from_another_folder(installed: Path, tmp_path: Path) -> None:
    piece = tmp_path / "piece.json"
    piece.write_text(
        '{"format": "spareshaft-piece", "version": 1, "name": "",'
        ' "loom": {"pattern_shafts": 2, "spare_shafts": 1}, "leashes": [1, 2, 1], "rows": ["#..", ".#."]}'
    )
    plan = [str(installed / "spareshaft"), "plan", str(piece)]
    done = subprocess.run(plan, capture_output=True, check=False, text=True, cwd=tmp_path, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")
    assert "insert" in [step["kind"] for step in json.loads(done.stdout)["steps"]]
