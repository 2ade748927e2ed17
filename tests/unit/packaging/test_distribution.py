"""The source package, the wheel and the editable install each carry the demo, find it and run it."""

from __future__ import annotations

import subprocess
import sys
import sysconfig
import tarfile
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
WHERE = (
    "import latchtrace; from latchtrace.cli.demo import demo_folder; print(latchtrace.__file__); print(demo_folder())"
)
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "src", "dbc_demo", "captures_demo", "tests"}


def ran(*command: str | Path, cwd: Path) -> str:
    words = [str(word) for word in command]
    done = subprocess.run(words, cwd=cwd, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return done.stdout


def shipped(folder: Path) -> list[Path]:
    """The files of a folder but what Python and the tools leave there."""
    return [
        path
        for path in folder.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and not any(part[0] == "." for part in path.parts[-2:])
    ]


TESTS = shipped(ROOT / "tests")


@pytest.fixture(scope="module")
def dist(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The source package made of the source tree, and the wheel made of that source package."""
    folder = tmp_path_factory.mktemp("dist")
    ran(sys.executable, "-m", "build", "--outdir", folder, ROOT, cwd=folder)
    return folder


@pytest.fixture(scope="module")
def sdist(dist: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The source package, unpacked."""
    (archive,) = dist.glob("*.tar.gz")
    folder = tmp_path_factory.mktemp("sdist")
    with tarfile.open(archive) as packed:
        packed.extractall(folder, filter="data")
    (top,) = folder.iterdir()
    return top


def fresh(folder: Path) -> Path:
    """A new environment that sees the dependencies of this one, but not this one's latchtrace; its python."""
    venv.create(folder, with_pip=False, symlinks=True)
    python = folder / "bin" / "python"
    inside = ran(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=folder).strip()
    (Path(inside) / "dependencies.pth").write_text(f"{sysconfig.get_path('purelib')}\n")
    return python


def install(python: Path, *what: str | Path) -> None:
    pip = [sys.executable, "-m", "pip", "--python", str(python), "install", "--quiet", "--disable-pip-version-check"]
    ran(*pip, "--no-deps", "--force-reinstall", *what, cwd=python.parent)


def runs_the_demo(python: Path, folder: Path) -> tuple[Path, Path]:
    """Where the package and its demo lie, after its command ran the demo."""
    said = ran(python.parent / "latchtrace", "demo", cwd=folder)
    assert said.count("Unlocked by nobody: no") >= 2
    assert (folder / "latchtrace_demo" / "parked-night.json").is_file()
    package, demo = ran(python, "-c", WHERE, cwd=folder).split()
    return Path(package), Path(demo)


def test_the_wheel_finds_its_demo_and_runs_it(dist: Path, tmp_path: Path) -> None:
    python = fresh(tmp_path / "venv")
    (wheel,) = dist.glob("*.whl")
    install(python, wheel)
    package, demo = runs_the_demo(python, tmp_path)
    assert package.is_relative_to(tmp_path)
    assert demo == package.parent / "demo" / "captures_demo"


def test_the_source_package_installs_finds_its_demo_and_runs_it(sdist: Path, tmp_path: Path) -> None:
    python = fresh(tmp_path / "venv")
    install(python, sdist)
    package, demo = runs_the_demo(python, tmp_path)
    assert package.is_relative_to(tmp_path)
    assert demo.is_relative_to(tmp_path)


def test_an_editable_install_of_the_source_package_finds_its_demo_and_runs_it(sdist: Path, tmp_path: Path) -> None:
    python = fresh(tmp_path / "venv")
    install(python, "--editable", sdist)
    package, demo = runs_the_demo(python, tmp_path)
    assert package == sdist / "src" / "latchtrace" / "__init__.py"
    assert demo == sdist / "captures_demo"


def test_the_wheel_carries_demo_data_and_types_and_nothing_else_beside_the_package(dist: Path) -> None:
    (wheel,) = dist.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if not name.endswith("/")}
    wanted = {f"latchtrace/{path.relative_to(ROOT / 'src' / 'latchtrace')}" for path in shipped(ROOT / "src")}
    for folder in ("dbc_demo", "captures_demo"):
        wanted |= {f"latchtrace/demo/{path.relative_to(ROOT)}" for path in shipped(ROOT / folder)}
    assert {name for name in names if ".dist-info/" not in name} == wanted
    assert "latchtrace/py.typed" in names
    assert any(name.endswith(".dist-info/licenses/LICENSE") for name in names)


def test_the_source_package_carries_tests_guides_and_pictures(sdist: Path) -> None:
    for name in ("README.md", "DEVELOPERS.md", "LICENSE", "tests/run.sh", ".ci/run", ".pictures/whole-night.png"):
        assert (sdist / name).is_file(), name
    present = {path.relative_to(sdist) for path in shipped(sdist / "tests")}
    assert {path.relative_to(ROOT) for path in TESTS if path.exists()} <= present


def test_the_top_of_the_tree_holds_what_it_may() -> None:
    made = {"PKG-INFO", "build", "dist", "latchtrace_demo"}  # by tools; not kept
    listed = ran("git", "ls-files", cwd=ROOT).split() if (ROOT / ".git").exists() else [p.name for p in ROOT.iterdir()]
    assert {name.split("/")[0] for name in listed if not name.startswith(".")} - made == TOP_LEVEL


def test_every_package_of_the_plain_install_is_used() -> None:
    names = {"python-can": "can", "pyyaml": "yaml", "zstandard": "zstandard"}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    source = "\n".join(path.read_text("utf-8") for path in (ROOT / "src").rglob("*.py"))
    for line in project["dependencies"]:
        name = line.split(">")[0]
        module = names.get(name, name)
        assert f"import {module}" in source or f"from {module}" in source, name
