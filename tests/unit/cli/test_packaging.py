from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a wheel that was built from the source package, unpacked as an installer would."""
    out = tmp_path_factory.mktemp("dist")
    command = [sys.executable, "-m", "build", "--outdir", str(out), str(ROOT)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    (wheel,) = out.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(out / "site")
    return out / "site"


def test_a_wheel_made_from_the_source_package_finds_and_runs_the_demo(built: Path, tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONPATH": str(built)}
    where = "from latchtrace.cli.demo import demo_folder; print(demo_folder())"
    found = subprocess.run(
        [sys.executable, "-c", where], cwd=tmp_path, env=environment, capture_output=True, text=True, check=True
    )
    assert Path(found.stdout.strip()) == built / "latchtrace" / "demo" / "captures_demo"
    done = subprocess.run(
        [sys.executable, "-m", "latchtrace", "demo"], cwd=tmp_path, env=environment, capture_output=True, check=False
    )
    assert done.returncode == 0
    assert (tmp_path / "latchtrace_demo" / "parked-night.json").is_file()


def test_a_wheel_holds_every_file_that_is_read_at_run_time(built: Path) -> None:
    data = ROOT / "src" / "latchtrace" / "data"
    wanted = {path.relative_to(ROOT / "src") for path in data.rglob("*") if path.is_file()}
    assert wanted
    assert {path for path in wanted if not (built / path).is_file()} == set()
    assert (built / "latchtrace" / "py.typed").is_file()
