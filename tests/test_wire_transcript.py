"""Transcripts: what is written can be read again, and what is no transcript is refused."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from tuner.errors import BadFile, BenchFault
from tuner.messages import Line
from tuner.wire.transcript import Record, Sort, Transcript, parse


class Clock:
    def __init__(self, now_s: float = 1000.0) -> None:
        self.now = now_s

    def now_s(self) -> float:
        return self.now


def test_every_sort_of_line(tmp_path: Path) -> None:
    clock = Clock()
    transcript = Transcript(tmp_path / "home" / "wire" / "one.txt", clock)
    transcript.event("opened /dev/x at 115200 baud")
    clock.now += 1.25
    transcript.sent("G1 X5 F600")
    clock.now += 0.0004
    transcript.received("ok \x1b[2J \\x41 grün")
    transcript.received("")
    transcript.shown(Line("CAUTION", "x.near.1", (("word", "WARNING"),), "hands\nout"))
    transcript.answered("go\x07")
    transcript.close()
    assert transcript.path.read_text(encoding="utf-8").splitlines() == [
        "0.000 ! opened /dev/x at 115200 baud",
        "1.250 > G1 X5 F600",
        "1.250 < ok \\x1b[2J \\\\x41 grün",
        "1.250 < ",
        "1.250 ~ CAUTION x.near.1 word=WARNING | hands\\x0aout",
        "1.250 ~ ANSWER go\\x07",
    ]
    assert parse(transcript.path) == [
        Record(1, 0.0, Sort.EVENT, "opened /dev/x at 115200 baud"),
        Record(2, 1.25, Sort.SENT, "G1 X5 F600"),
        Record(3, 1.25, Sort.RECEIVED, "ok \x1b[2J \\x41 grün"),
        Record(4, 1.25, Sort.RECEIVED, ""),
        Record(5, 1.25, Sort.PERSON, "CAUTION x.near.1 word=WARNING | hands\nout"),
        Record(6, 1.25, Sort.PERSON, "ANSWER go\x07"),
    ]


def test_each_line_is_there_when_it_is_written_and_more_is_appended(tmp_path: Path) -> None:
    path = tmp_path / "one.txt"
    first = Transcript(path, Clock())
    first.sent("M114")
    assert path.read_text() == "0.000 > M114\n"
    first.close()
    second = Transcript(path, Clock())
    second.sent("M105")
    second.close()
    assert path.read_text() == "0.000 > M114\n0.000 > M105\n"


def test_lines_of_several_threads_stay_whole(tmp_path: Path) -> None:
    transcript = Transcript(tmp_path / "one.txt", Clock())
    threads = [
        threading.Thread(target=lambda: [transcript.sent("M114") for _ in range(200)])
        for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    transcript.close()
    assert [record.text for record in parse(transcript.path)] == ["M114"] * 800


def test_what_cannot_be_written_is_a_fault_of_the_bench(tmp_path: Path) -> None:
    with pytest.raises(BenchFault, match="cannot be written"):
        Transcript(tmp_path, Clock())
    (tmp_path / "file").touch()
    with pytest.raises(BenchFault, match="--home"):
        Transcript(tmp_path / "file" / "one.txt", Clock())
    transcript = Transcript(tmp_path / "one.txt", Clock())
    transcript.close()
    with pytest.raises(BenchFault):
        transcript.sent("M114")


class Disk:
    """A file that takes `most` bytes at a time and calls `meanwhile` before the first."""

    def __init__(self, most: int = 1000, meanwhile: Callable[[], None] = lambda: None) -> None:
        self.taken = b""
        self.most = most
        self.meanwhile: Callable[[], None] | None = meanwhile

    def write(self, data: bytes) -> int:
        if self.meanwhile is not None:
            meanwhile, self.meanwhile = self.meanwhile, None
            meanwhile()
        self.taken += data[: self.most]
        return len(data[: self.most])

    def close(self) -> None:
        raise OSError(28, "no space left")


def on(disk: Disk, folder: Path, monkeypatch: pytest.MonkeyPatch) -> Transcript:
    transcript = Transcript(folder / "one.txt", Clock())
    transcript.close()
    monkeypatch.setattr(transcript, "_file", disk)
    return transcript


def test_a_line_that_a_disk_takes_in_pieces_is_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = Disk(most=3)
    on(disk, tmp_path, monkeypatch).sent("M114")
    assert disk.taken == b"0.000 > M114\n"


def test_a_handler_may_write_in_the_middle_of_a_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = Disk(meanwhile=lambda: transcript.event("stop"))
    transcript = on(disk, tmp_path, monkeypatch)
    transcript.sent("M114")
    assert disk.taken == b"0.000 ! stop\n0.000 > M114\n"


def test_an_end_that_cannot_be_written_is_a_fault_of_the_bench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(BenchFault, match="no space left"):
        on(Disk(), tmp_path, monkeypatch).close()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_is_a_fault_of_the_bench() -> None:
    transcript = Transcript(Path("/dev/full"), Clock())
    with pytest.raises(BenchFault, match="make room"):
        transcript.sent("M114")
    transcript.close()


def test_comments_and_empty_lines_are_no_records(tmp_path: Path) -> None:
    path = tmp_path / "one.txt"
    path.write_bytes(b"# made up\n\n   \n1 > M114\r\n2.5 <\n")
    assert parse(path) == [
        Record(4, 1.0, Sort.SENT, "M114"),
        Record(5, 2.5, Sort.RECEIVED, ""),
    ]


@pytest.mark.parametrize(
    "line",
    ["> M114", "1 M114", "1 ? M114", "-1 > M114", "1e3 > M114", "nan > M114", "1 >M114", "1  > M"],
)
def test_what_is_no_record_is_named(tmp_path: Path, line: str) -> None:
    path = tmp_path / "one.txt"
    path.write_text(f"1 > M114\n{line}\n{line}\x1b\n")
    with pytest.raises(BadFile) as caught:
        parse(path)
    assert len(caught.value.findings) == 2
    assert "line 2" in caught.value.findings[0]
    assert "\\x1b" in caught.value.findings[1]


def test_what_is_no_file_or_no_text_is_told(tmp_path: Path) -> None:
    with pytest.raises(BadFile, match="cannot be read"):
        parse(tmp_path / "none.txt")
    (tmp_path / "bytes").write_bytes(b"\xff\xfe")
    with pytest.raises(BadFile, match="not UTF-8"):
        parse(tmp_path / "bytes")
