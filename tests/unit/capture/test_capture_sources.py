"""Which captures a command means, and what is said where there is none."""

from __future__ import annotations

import gzip
import io
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
import zstandard

from latchtrace.capture.formats import FORMATS
from latchtrace.capture.reader import Source, find_captures, first_time, read_frames, scan
from latchtrace.errors import CaptureError

GOOD = b"(1.000000) can0 123#11\n(1.100000) can0 123#12\n"


def names(sources: tuple[Source, ...]) -> list[str]:
    """The sources' names."""
    return [source.name for source in sources]


def refused(*arguments: str) -> str:
    """The one line a user gets."""
    with pytest.raises(CaptureError) as caught:
        scan(find_captures(arguments))
    text = str(caught.value)
    assert "\n" not in text
    return text


def test_a_folder_gives_its_captures_in_order_of_name(tmp_path: Path) -> None:
    for name in ("b.log", "a.log.gz", "c.txt", "d.json"):
        (tmp_path / name).write_bytes(gzip.compress(GOOD) if name.endswith("gz") else GOOD)
    assert names(find_captures([str(tmp_path)])) == ["a.log.gz", "b.log"]


def test_a_folder_passes_over_other_files_with_a_known_extension(tmp_path: Path) -> None:
    (tmp_path / "a.log").write_bytes(GOOD)
    (tmp_path / "b.db").write_bytes(b"not sqlite")
    (tmp_path / "c.log").write_bytes(b"")
    assert names(find_captures([str(tmp_path)])) == ["a.log"]


def test_a_pattern_gives_its_files_in_order_and_each_file_counts_once(tmp_path: Path) -> None:
    for name in ("b.log", "a.log"):
        (tmp_path / name).write_bytes(GOOD)
    found = find_captures([str(tmp_path / "b.log"), str(tmp_path / "*.log"), str(tmp_path)])
    assert names(found) == ["b.log", "a.log"]


def test_a_file_whose_name_looks_like_a_pattern_is_that_file(tmp_path: Path) -> None:
    (tmp_path / "night[1].log").write_bytes(GOOD)
    assert names(find_captures([str(tmp_path / "night[1].log")])) == ["night[1].log"]


@pytest.mark.parametrize("name", ["x.blf", "x.csv", "x.asc", "x.txt", "x", "x.mf4"])
def test_content_comes_before_the_extension(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(GOOD)
    (source,) = find_captures([str(tmp_path / name)])
    assert source.format.name == "candump text"
    assert scan([source]).frames == 2


def test_compression_is_known_by_content_too(tmp_path: Path) -> None:
    (tmp_path / "x.log").write_bytes(zstandard.compress(GOOD))
    (source,) = find_captures([str(tmp_path / "x.log")])
    assert (source.packing, source.format_name) == ("zst", "candump text, zst")
    assert scan([source]).frames == 2


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    text = refused(str(tmp_path / "gone.log"))
    assert "gone.log" in text
    assert "no such file" in text


def test_an_empty_file_is_said_to_be_empty(tmp_path: Path) -> None:
    (tmp_path / "x.log").write_bytes(b"")
    assert refused(str(tmp_path / "x.log")) == "x.log: the file is empty; record or copy it again"


@pytest.mark.parametrize("name", ["x.log", "x.asc", "x.bin", "x.trc", "x.csv"])
def test_binary_rubbish_is_no_capture(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(bytes(range(256)) * 40)
    assert "binary" in refused(str(tmp_path / name))


@pytest.mark.parametrize("name", ["x.blf", "x.db", "x.mf4"])
def test_binary_rubbish_with_a_binary_extension_is_no_capture(tmp_path: Path, name: str) -> None:
    if name == "x.mf4":
        pytest.importorskip("asammdf")
    (tmp_path / name).write_bytes(bytes(range(256)) * 40)
    assert "no frame could be read" in refused(str(tmp_path / name))


def test_text_without_a_frame_is_no_capture_and_the_reason_is_told(tmp_path: Path) -> None:
    (tmp_path / "x.log").write_text("can0 123#11\ncan0 123#12\n")
    text = refused(str(tmp_path / "x.log"))
    assert "no frame could be read as candump text" in text
    assert "2 lines skipped, all as line 1: no timestamp; record with candump -L" in text


def test_prose_with_an_unknown_extension_is_no_capture(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("The driver's door did not lock.\n")
    assert "in no capture format known" in refused(str(tmp_path / "notes.txt"))


def test_wide_text_is_named_as_what_it_is(tmp_path: Path) -> None:
    (tmp_path / "x.log").write_bytes(GOOD.decode().encode("utf-16"))
    assert "UTF-16" in refused(str(tmp_path / "x.log"))


def test_an_empty_archive_is_said_to_be_damaged(tmp_path: Path) -> None:
    (tmp_path / "x.log.gz").write_bytes(gzip.compress(GOOD)[:10])
    assert "nothing can be unpacked" in refused(str(tmp_path / "x.log.gz"))


def test_a_folder_without_captures_lists_the_extensions(tmp_path: Path) -> None:
    text = refused(str(tmp_path))
    assert all(extension in text for entry in FORMATS for extension in entry.extensions)


def test_a_pattern_without_files_says_so(tmp_path: Path) -> None:
    assert "no file matches" in refused(str(tmp_path / "*.log"))


def test_no_argument_asks_for_one() -> None:
    assert "no capture given" in refused()


def test_a_file_that_may_not_be_read_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "x.log").write_bytes(GOOD)

    def deny(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    sources = find_captures([str(tmp_path / "x.log")])
    monkeypatch.setattr(Path, "open", deny)
    with pytest.raises(CaptureError, match=r"x\.log: cannot be read: Permission denied"):
        scan(sources)
    assert "cannot be read" in refused(str(tmp_path / "x.log"))


@pytest.mark.parametrize("packed", [False, True])
def test_standard_input_is_read_and_can_be_read_again(monkeypatch: pytest.MonkeyPatch, packed: bool) -> None:
    stream = io.BytesIO(gzip.compress(GOOD) if packed else GOOD)
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=stream))
    sources = find_captures(["-"])
    assert [frame.line for _, frame in read_frames(sources)] == [1, 2]
    assert [frame.line for _, frame in read_frames(sources)] == [1, 2]
    assert sources[0].name == "(standard input)"
    spill = sources[0].path
    assert spill.exists()
    del sources
    assert not spill.exists()


def test_nothing_on_standard_input_is_an_error_and_leaves_no_file(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(b"")))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    assert "is empty" in refused("-")
    assert list(tmp_path.iterdir()) == []


def test_the_digest_is_that_of_the_bytes_on_disk(tmp_path: Path) -> None:
    import hashlib

    content = gzip.compress(GOOD)
    (tmp_path / "x.log.gz").write_bytes(content)
    assert scan(find_captures([str(tmp_path)])).files[0].sha256 == hashlib.sha256(content).hexdigest()


def test_first_time_is_the_earliest_of_all_files(tmp_path: Path) -> None:
    (tmp_path / "a.log").write_bytes(b"(5.000000) can0 123#11\n")
    (tmp_path / "b.log").write_bytes(b"(3.000000) can0 123#11\n")
    assert first_time(find_captures([str(tmp_path)])) == 3 * 10**9


def test_progress_goes_up_to_all_bytes(tmp_path: Path) -> None:
    (tmp_path / "a.log").write_bytes(GOOD * 5000)
    (tmp_path / "b.log.zst").write_bytes(zstandard.compress(GOOD * 5000))
    told: list[tuple[int, int]] = []
    sources = find_captures([str(tmp_path)])
    scan(sources, progress=lambda done, total: told.append((done, total)))
    total = sum(source.size for source in sources)
    assert told[-1] == (total, total)
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    assert {of for _, of in told} == {total}


def test_each_format_has_its_own_name_and_extensions() -> None:
    assert len({entry.name for entry in FORMATS}) == len(FORMATS)
    extensions = [extension for entry in FORMATS for extension in entry.extensions]
    assert len(set(extensions)) == len(extensions)
