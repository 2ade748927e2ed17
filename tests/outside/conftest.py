"""Other projects' own test files, taken from their source packages at test time, pinned by version and digest."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

import pytest

_DIGESTS = {
    "python_can-4.6.1": "290fea135d04b8504ebff33889cc6d301e2181a54099116609f940825ffe5005",
    "cantools-45.1.0": "ea1619f3d6108a1c3ecd0f81c952ff2dffd023b244704f6f7a17c4f4dca75f73",
}


def _cache() -> Path:
    stated = os.environ.get("LATCHTRACE_TEST_CACHE")
    return Path(stated) if stated else Path.home() / ".cache" / "latchtrace-tests"


def _download(requirement: str, folder: Path) -> Path:
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-binary", ":all:"]
    command += ["--disable-pip-version-check", "--dest", str(folder), requirement]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"pip could not download the source of {requirement}:\n{done.stderr}")
    return next(folder.glob("*.tar.gz"))


def _unpacked(requirement: str, stem: str) -> Path:
    """The folder of an unpacked source package; downloaded once, checked, then put in place in one step."""
    cache = _cache()
    target = cache / stem
    if target.is_dir():
        return target
    cache.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=cache) as scratch:
        archive = _download(requirement, Path(scratch))
        digest = hashlib.sha256(archive.read_bytes()).hexdigest()
        if digest != _DIGESTS[stem]:
            raise RuntimeError(f"{archive.name} has another SHA-256 than the pinned one: {digest}")
        with tarfile.open(archive) as tar:
            tar.extractall(Path(scratch) / "unpacked", filter="data")
        try:
            (Path(scratch) / "unpacked" / stem).rename(target)
        except OSError:
            if not target.is_dir():  # another test run was faster, else it is a real failure
                raise
    return target


@pytest.fixture(scope="session")
def python_can_sdist() -> Path:
    """The unpacked source package of python-can 4.6.1 (LGPL-3.0-only); its captures are in `test/data`."""
    return _unpacked("python-can==4.6.1", "python_can-4.6.1")


@pytest.fixture(scope="session")
def cantools_sdist() -> Path:
    """The unpacked source package of cantools 45.1.0 (MIT); its DBC files are in `tests/files/dbc`."""
    return _unpacked("cantools==45.1.0", "cantools-45.1.0")
