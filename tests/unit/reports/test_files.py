from __future__ import annotations

import os
from pathlib import Path

import pytest

from latchtrace.errors import OutputError, UsageError
from latchtrace.reports.files import check_targets, write_all


def _names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.rglob("*"))


def test_all_files_are_written_and_nothing_else_stays(tmp_path: Path) -> None:
    write_all({tmp_path / "a.json": b"one", tmp_path / "new" / "b.html": b"two"})
    assert (tmp_path / "a.json").read_bytes() == b"one"
    assert (tmp_path / "new" / "b.html").read_bytes() == b"two"
    assert _names(tmp_path) == ["a.json", "b.html", "new"]


def test_a_file_that_is_there_is_replaced_and_keeps_its_rights(tmp_path: Path) -> None:
    old = tmp_path / "a"
    old.write_bytes(b"old")
    old.chmod(0o640)
    write_all({old: b"new"})
    assert (old.read_bytes(), old.stat().st_mode & 0o777, _names(tmp_path)) == (b"new", 0o640, ["a"])


def test_new_files_have_the_rights_of_the_users_mask(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        write_all({tmp_path / "a": b"x"})
    finally:
        os.umask(before)
    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o640


def test_when_one_cannot_be_staged_none_is_changed(tmp_path: Path) -> None:
    old = tmp_path / "a"
    old.write_bytes(b"old")
    with pytest.raises(OutputError, match="cannot be written"):
        write_all({old: b"new", tmp_path / "no" / "folder" / "b": b"x"})
    assert (old.read_bytes(), _names(tmp_path)) == (b"old", ["a"])


@pytest.mark.parametrize("reason", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_when_one_cannot_be_put_in_place_the_others_come_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reason: BaseException
) -> None:
    old, new, last = tmp_path / "a", tmp_path / "b", tmp_path / "made" / "c"
    old.write_bytes(b"old")
    replace = Path.replace

    def failing(self: Path, target: str | Path) -> Path:
        if Path(target).name == "c" and self.suffix == ".part":
            raise reason
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", failing)
    with pytest.raises(OutputError if isinstance(reason, OSError) else KeyboardInterrupt):
        write_all({old: b"1", new: b"2", last: b"3"})
    assert (old.read_bytes(), _names(tmp_path)) == (b"old", ["a"])


def test_a_link_keeps_pointing_where_it_did(tmp_path: Path) -> None:
    real, link = tmp_path / "real", tmp_path / "link"
    real.write_bytes(b"old")
    link.symlink_to(real)
    write_all({link: b"new"})
    assert link.is_symlink()
    assert real.read_bytes() == b"new"


def test_a_device_is_written_to_and_not_replaced() -> None:
    write_all({Path("/dev/null"): b"x"})
    assert Path("/dev/null").is_char_device()


def test_outputs_that_are_inputs_folders_or_nowhere_are_refused_before_any_work(tmp_path: Path) -> None:
    capture = tmp_path / "a.log"
    capture.write_bytes(b"x")
    with pytest.raises(UsageError, match="is one of the inputs"):
        check_targets([tmp_path / "." / "a.log"], [capture])
    with pytest.raises(UsageError, match="named for two outputs"):
        check_targets([tmp_path / "b", tmp_path / "b"])
    with pytest.raises(OutputError, match="is a folder"):
        check_targets([tmp_path])
    with pytest.raises(OutputError, match="does not exist"):
        check_targets([tmp_path / "no" / "b"])
    assert _names(tmp_path) == ["a.log"]


def test_an_output_folder_may_be_missing_but_not_its_parent(tmp_path: Path) -> None:
    new = tmp_path / "new"
    check_targets([new / "a.csv"], folders=[new])
    with pytest.raises(OutputError, match="does not exist"):
        check_targets([new / "no" / "a.csv"], folders=[new / "no"])
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError, match="is a file"):
        check_targets([], folders=[tmp_path / "file"])
    assert not (tmp_path / "new").exists()
