"""Faults that are made, not imagined: killed writers, full disks, locks, other files."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import zlib
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from garage_cases import made_visit, raw

from vaclog.errors import StorageError, UnknownRecordError, VaclogError
from vaclog.garage import Garage
from vaclog.garage import files as garage_files
from vaclog.garage.backup import check_file
from vaclog.garage.files import PIECE_BYTES, fingerprint
from vaclog.visit.records import Visit

# Saves visits without end and says each number when it is kept.
WRITER = """
import sys
from dataclasses import replace
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from garage_cases import made_visit
from vaclog.garage import Garage
with Garage(Path(sys.argv[1])) as garage:
    visit = made_visit()
    while True:
        kept = garage.save_visit(visit)
        garage.save_visit(replace(kept, step="road", points=kept.points * 4))
        print(kept.number, flush=True)
"""


@pytest.fixture
def seen_by_all() -> Iterator[Path]:
    """A folder that everybody may enter and only its owner may write; pytest's own are closed."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


def three_parts(error: pytest.ExceptionInfo[VaclogError]) -> tuple[str, str, str]:
    """Fact, cause and step, all of them said."""
    told = (error.value.fact, error.value.cause, error.value.step)
    assert all(told)
    return told


@pytest.mark.parametrize("saves", [1, 7])
def test_a_killed_writer_loses_nothing_that_was_kept(tmp_path: Path, saves: int) -> None:
    """SIGKILL in the middle of writing; a sound garage with every visit that was acknowledged."""
    path = tmp_path / "garage.db"
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), str(Path(__file__).parent)],
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        said = [int(process.stdout.readline()) for _ in range(saves)]
        # It is saving the next one now.
        process.send_signal(signal.SIGKILL)
        said += [int(line) for line in process.stdout.read().split()]
    assert process.returncode == -signal.SIGKILL
    with Garage(path) as garage:
        assert garage.check().sound
        kept = {line.number for line in garage.visits()}
        assert set(said) <= kept <= set(said) | {max(said) + 1}
        for number in said:
            assert len(garage.visit(number).points) == 4
        assert garage.save_visit(made_visit()).number == max(kept) + 1


def test_readers_and_a_writer_at_once(tmp_path: Path) -> None:
    """Another process writes; this one reads whole visits meanwhile and is never held up."""
    path = tmp_path / "garage.db"
    with Garage(path) as garage:
        first = garage.save_visit(made_visit())
    command = [sys.executable, "-c", WRITER, str(path), str(Path(__file__).parent)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        process.stdout.readline()
        with Garage(path, timeout_s=0.0) as reader:
            counts = []
            for _ in range(40):
                lines = reader.visits()
                counts.append(len(lines))
                newest = reader.visit(lines[0].number)
                assert len(newest.points) in (1, 4)
                assert len(newest.captures) == 1
                process.stdout.readline()
        process.kill()
        process.stdout.read()
    assert counts == sorted(counts) and counts[-1] > counts[0]
    assert first.number == 1


def test_two_writers_take_turns(tmp_path: Path) -> None:
    """Each waits for the other's short transaction; no number is given twice."""
    path = tmp_path / "garage.db"
    with Garage(path):
        pass
    numbers: list[int] = []

    def write() -> None:
        with Garage(path) as garage:
            for _ in range(15):
                numbers.append(garage.save_visit(Visit(engine="e")).number)

    threads = [threading.Thread(target=write) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(numbers) == list(range(1, 31))


def test_two_processes_that_create_it_at_once(tmp_path: Path) -> None:
    """One makes the tables, the others find them made."""
    path = tmp_path / "new" / "garage.db"
    code = "import sys; from pathlib import Path; from vaclog.garage import Garage; "
    code += "Garage(Path(sys.argv[1])).close()"
    running = [subprocess.Popen([sys.executable, "-c", code, str(path)]) for _ in range(3)]
    assert [process.wait() for process in running] == [0, 0, 0]
    assert check_file(path).sound


def test_a_full_disk(garage: Garage) -> None:
    """SQLite's own limit of pages stands in for the disk; what was kept stays."""
    garage.save_visit(made_visit())
    pages = garage._store.connection.execute("PRAGMA page_count").fetchone()[0]
    garage._store.connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(StorageError) as error:
        for _ in range(20):
            garage.save_visit(made_visit())
    assert "full" in three_parts(error)[0]
    garage._store.connection.execute("PRAGMA max_page_count = 1000000")
    kept = len(garage.visits())
    assert garage.check().sound
    assert garage.save_visit(made_visit()).number == kept + 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_an_export_to_a_full_disk(garage: Garage, tmp_path: Path) -> None:
    """The half-written file does not get the name."""
    garage.save_visit(made_visit())
    target = tmp_path / "all.json"
    target.with_name("all.json.part").symlink_to("/dev/full")
    with pytest.raises(StorageError) as error:
        garage.export_json(target)
    assert "all.json" in three_parts(error)[0] and not target.exists()


def test_a_garage_that_may_only_be_read(garage: Garage) -> None:
    """Reading goes on; writing says why not."""
    garage.save_visit(made_visit())
    garage._store.connection.execute("PRAGMA query_only = ON")  # the code of a read-only file
    assert garage.visit(1).number == 1
    with pytest.raises(StorageError) as error:
        garage.save_visit(made_visit())
    assert "not written" in three_parts(error)[0]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_a_folder_of_somebody_else(seen_by_all: Path) -> None:
    """As another user, really: the list is read or refused in words, never a traceback."""
    path = seen_by_all / "garage.db"
    with Garage(path) as garage:
        garage.save_visit(made_visit())
    code = (
        "import os, sys; from pathlib import Path; from vaclog.garage import Garage\n"
        "from vaclog.errors import StorageError\n"
        "os.chdir(sys.argv[1]); os.setgid(65534); os.setuid(65534)\n"
        "try:\n"
        "    opened = Garage(Path('garage.db'))\n"
        "    opened.add_rig('x', '')\n"
        "except StorageError as error:\n"
        "    print(error.fact, '|', error.cause, '|', error.step)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(seen_by_all)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "garage.db" in done.stdout and done.stdout.count("|") == 2


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_a_backup_is_read_where_nothing_may_be_written(tmp_path: Path, seen_by_all: Path) -> None:
    """As another user, really: a list of a backup in a folder that is not his."""
    with Garage(tmp_path / "garage.db") as garage:
        garage.save_visit(made_visit())
        garage.backup(seen_by_all / "backup.db")
    code = (
        "import os, sys; from pathlib import Path; from vaclog.garage import Garage\n"
        "os.chdir(sys.argv[1]); os.setgid(65534); os.setuid(65534)\n"
        "print([line.number for line in Garage(Path('backup.db'), create=False).visits()])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(seen_by_all)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout.strip()) == (0, "[1]"), done.stderr
    assert [path.name for path in seen_by_all.iterdir()] == ["backup.db"]


def test_a_locked_garage(garage: Garage) -> None:
    """Another program holds it: told after the wait, nothing written."""
    with (
        closing(sqlite3.connect(garage.path, isolation_level=None)) as other,
        Garage(garage.path, timeout_s=0.05) as waiting,
    ):
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StorageError) as error:
            waiting.save_visit(made_visit())
        other.execute("ROLLBACK")
        assert "locked" in three_parts(error)[0]
        assert waiting.visits() == []
        assert waiting.save_visit(made_visit()).number == 1


def test_files_that_are_no_garage(tmp_path: Path) -> None:
    """Told apart: no database, another's database, a folder, nothing there."""
    text = tmp_path / "text.db"
    text.write_text("P 0 100\n" * 200, encoding="utf-8")
    other = tmp_path / "other.db"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE contacts (name)")
    before = text.read_bytes(), other.read_bytes()
    for path, said in ((text, "no SQLite"), (other, "not a garage"), (tmp_path, "opened")):
        with pytest.raises(StorageError, match=said) as error:
            Garage(path)
        three_parts(error)
    with pytest.raises(StorageError, match="no garage at"):
        Garage(tmp_path / "none.db", create=False)
    assert (text.read_bytes(), other.read_bytes()) == before
    assert not (tmp_path / "none.db").exists()


def test_a_damaged_garage_is_found_out(garage: Garage, tmp_path: Path) -> None:
    """One page overwritten: the check says so, and a backup of it is refused."""
    for _ in range(30):
        garage.save_visit(made_visit())
    garage.backup(tmp_path / "good.db")
    garage.close()
    damaged = bytearray((tmp_path / "good.db").read_bytes())
    damaged[4096 * 9 : 4096 * 10] = b"\x55" * 4096
    bad = tmp_path / "bad.db"
    bad.write_bytes(bytes(damaged))
    assert check_file(tmp_path / "good.db").sound
    try:
        assert not check_file(bad).sound
    except StorageError as error:
        assert "damaged" in error.fact
    with pytest.raises(StorageError), Garage(bad) as opened:
        opened.backup(tmp_path / "copy.db")
    assert not (tmp_path / "copy.db").exists()


def test_a_garage_with_a_loose_end_is_not_backed_up(garage: Garage, tmp_path: Path) -> None:
    """A capture of a visit that is not there, as another program would leave it."""
    garage.save_visit(made_visit())
    with closing(sqlite3.connect(garage.path, isolation_level=None)) as other:
        other.execute("DELETE FROM visits")
    found = garage.check()
    assert not found.sound and "names a missing row of visits" in found.faults[0]
    with pytest.raises(StorageError, match="not sound"):
        garage.backup(tmp_path / "copy.db")
    assert not (tmp_path / "copy.db").exists()


def test_a_backup_is_whole_while_it_is_written_to(garage: Garage, tmp_path: Path) -> None:
    """Everything that was kept is in it, without the log beside it; it is a garage itself."""
    garage.save_visit(made_visit())
    target = tmp_path / "backup.db"
    found = garage.backup(target)
    garage.save_visit(made_visit())
    assert (found.sound, found.visits, found.captures) == (True, 1, 1)
    assert [path.name for path in tmp_path.glob("backup*")] == ["backup.db"]
    assert check_file(target).visits == 1
    with Garage(target) as again:
        assert again.visit(1).captures[0].path == "a.vaclog"


def test_a_backup_does_not_overwrite_the_garage(garage: Garage) -> None:
    """Onto itself it would keep nothing."""
    with pytest.raises(StorageError, match="itself"):
        garage.backup(garage.path)


def test_a_backup_replaces_an_older_one_and_nothing_else(garage: Garage, tmp_path: Path) -> None:
    """A card whose name was typed by mistake stays as it is."""
    card, older = tmp_path / "engine.toml", tmp_path / "older.db"
    card.write_text("static_deg = 10.0\n", encoding="utf-8")
    with pytest.raises(StorageError, match="no garage"):
        garage.backup(card)
    assert card.read_text(encoding="utf-8") == "static_deg = 10.0\n"
    assert garage.backup(older).visits == 0
    garage.save_visit(made_visit())
    assert garage.backup(older).visits == 1


def test_a_moved_capture_is_found_by_its_hash(garage: Garage, tmp_path: Path) -> None:
    """Renamed and in another folder, beside another of its old name and size; then remembered."""
    here, there = tmp_path / "a.vaclog", tmp_path / "far" / "away"
    here.write_bytes(b"one capture" * 100)
    sha256 = garage.keep_file(here)
    assert garage.find_file(sha256) == here
    there.mkdir(parents=True)
    (there / "a.vaclog").write_bytes(b"two capture" * 100)
    here.rename(there / "b.vaclog")
    assert garage.find_file(sha256) is None
    assert garage.find_file(sha256[:9], [tmp_path]) == there / "b.vaclog"
    assert garage.find_file(sha256) == there / "b.vaclog"
    with pytest.raises(UnknownRecordError):
        garage.find_file("00")
    with pytest.raises(UnknownRecordError):
        garage.find_file("")


@pytest.mark.parametrize("size", [0, 1, PIECE_BYTES, PIECE_BYTES + 1])
def test_a_capture_kept_inside_comes_out(garage: Garage, tmp_path: Path, size: int) -> None:
    """Byte for byte, also when the file is long gone; kept twice, it is there once."""
    path = tmp_path / "a.vaclog"
    content = bytes(index * index % 251 for index in range(1000)) * (size // 1000 + 1)
    path.write_bytes(content[:size])
    sha256 = garage.keep_file(path, inside=True)
    assert garage.keep_file(path, inside=True) == sha256
    path.unlink()
    assert garage.take_out(sha256, tmp_path / "out").read_bytes() == content[:size]
    assert raw(garage.path, "SELECT count(*) FROM pieces") == [(-(-size // PIECE_BYTES),)]


def test_keeping_a_long_capture_holds_nobody_up(
    garage: Garage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another writer gets its turn between two pieces; a half-kept one is not given out."""
    path = tmp_path / "a.vaclog"
    path.write_bytes(bytes(range(256)) * (3 * PIECE_BYTES // 256))
    written: list[int] = []
    with Garage(garage.path, timeout_s=0.0) as other:

        def between(data: bytes) -> bytes:
            written.append(other.save_visit(made_visit(captures=())).number)
            with pytest.raises(UnknownRecordError, match="not kept inside"):
                other.take_out(fingerprint(path)[0], tmp_path / "out")
            return zlib.compress(data, 1)

        monkeypatch.setattr(garage_files, "zlib", SimpleNamespace(compress=between))
        sha256 = garage.keep_file(path, inside=True)
        monkeypatch.undo()
        assert written == [1, 2, 3]
        assert other.take_out(sha256, tmp_path / "out").read_bytes() == path.read_bytes()


def test_a_capture_that_grows_is_not_kept(
    garage: Garage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is still being recorded: its bytes are no longer those of its hash."""
    path = tmp_path / "a.vaclog"
    path.write_bytes(b"capture")

    def then_it_grows(read: Path) -> tuple[str, int]:
        found = fingerprint(read)
        path.write_bytes(b"capture, longer")
        return found

    monkeypatch.setattr(garage_files, "fingerprint", then_it_grows)
    with pytest.raises(StorageError, match="changed"):
        garage.keep_file(path, inside=True)
    assert raw(garage.path, "SELECT count(*) FROM pieces") == [(0,)]


@pytest.mark.parametrize("data", [b"\x00\x01", zlib.compress(b"other bytes")])
def test_damaged_pieces_are_not_given_out(garage: Garage, tmp_path: Path, data: bytes) -> None:
    """Neither what cannot be unpacked nor what is something else."""
    path = tmp_path / "a.vaclog"
    path.write_bytes(b"capture")
    sha256 = garage.keep_file(path, inside=True)
    garage._store.connection.execute("UPDATE pieces SET data = ?", (data,))
    with pytest.raises(StorageError, match="damaged"):
        garage.take_out(sha256, tmp_path / "out")
    assert sorted(found.name for found in tmp_path.glob("out*")) == []


def test_what_is_only_known_by_place_cannot_be_taken_out(garage: Garage, tmp_path: Path) -> None:
    """The error says where it was last."""
    garage.save_visit(replace(made_visit()))
    with pytest.raises(UnknownRecordError, match=r"not kept inside.*a\.vaclog"):
        garage.take_out("ab" * 32, tmp_path / "out")
