"""Phones stay invited over a restart of the program: whom, for how long, and who may know."""

from __future__ import annotations

import json
import os
import re
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from vaclog.capture.writer import CaptureWriter
from vaclog.records import CardText, Chunk, PortOpened
from vaclog.simulator.presets import preset
from vaclog.web.invited import A_DAY_S, MOST, Invited, usual_file

ROOT = Path(__file__).parents[2]
PATIENCE_S = 40.0


class Clock:
    """Seconds that are set by hand."""

    now_s = 1_750_000_000.0

    def __call__(self) -> float:
        """Now."""
        return self.now_s


# The file -------------------------------------------------------------------------------------


def test_only_its_owner_reads_file_and_folder(tmp_path: Path) -> None:
    """Whatever the mask of the process and the file of before allowed."""
    path = tmp_path / "state" / "vaclog" / "invited.json"
    before = os.umask(0)
    try:
        Invited(path).add("a", "control")
        assert path.stat().st_mode & 0o777 == 0o600
        assert path.parent.stat().st_mode & 0o777 == 0o700
        path.chmod(0o644)
        Invited(path).add("b", "watch")
        assert path.stat().st_mode & 0o777 == 0o600
    finally:
        os.umask(before)
    assert [Invited(path).level(each) for each in "abc"] == ["control", "watch", None]
    assert list(path.parent.iterdir()) == [path], "something was left beside it"


def test_a_day_later_nobody_is_invited(tmp_path: Path) -> None:
    """Counted from the invitation, not from the last restart; a clock set back helps nobody."""
    path, clock = tmp_path / "invited.json", Clock()
    begun = clock.now_s
    Invited(path, keep_s=A_DAY_S, clock_s=clock).add("early", "control")
    clock.now_s = begun + A_DAY_S - 60.0
    Invited(path, keep_s=A_DAY_S, clock_s=clock).add("late", "watch")
    for after_s, known in ((A_DAY_S - 30.0, 2), (A_DAY_S + 30.0, 1), (2 * A_DAY_S, 0), (-60.0, 0)):
        clock.now_s = begun + after_s
        assert len(Invited(path, keep_s=A_DAY_S, clock_s=clock)) == known
        assert len(Invited(path, clock_s=clock)) == 2, "one's own file is for ever"


def test_a_file_of_an_earlier_version_counts_for_ever_only(tmp_path: Path) -> None:
    """It does not say when."""
    path = tmp_path / "invited.json"
    path.write_text('{"a": "control", "b": "root", "c": {"level": "watch"}, "d": 3}')
    assert Invited(path).level("a") == "control" and len(Invited(path)) == 1
    assert len(Invited(path, keep_s=A_DAY_S)) == 0


def test_a_file_that_others_can_write_invites_nobody(tmp_path: Path) -> None:
    """Who writes his own digest into it would be let in; that is said."""
    path, said = tmp_path / "invited.json", list[str]()
    Invited(path).add("a", "control")
    for mode in (0o620, 0o602):
        path.chmod(mode)
        assert Invited(path, log=said.append).level("a") is None
    assert len(said) == 2 and "others" in said[0]


def test_what_cannot_be_kept_is_said_and_counts_until_the_end(tmp_path: Path) -> None:
    """A file stands where the folder should be."""
    (tmp_path / "vaclog").write_text("")
    said: list[str] = []
    invited = Invited(tmp_path / "vaclog" / "invited.json", log=said.append)
    invited.add("a", "watch")
    assert invited.level("a") == "watch"
    assert len(said) == 1 and "invited again" in said[0]


def test_the_file_does_not_grow(tmp_path: Path) -> None:
    """The latest are kept."""
    path = tmp_path / "invited.json"
    invited = Invited(path)
    for number in range(MOST + 5):
        invited.add(f"{number}", "watch")
    assert len(json.loads(path.read_text())) == MOST
    assert invited.level("4") is None and Invited(path).level(f"{MOST + 4}") == "watch"


def test_where_it_lies() -> None:
    """The XDG Base Directory Specification 0.8: absolute values alone count."""
    name = "vaclog/invited-{port}.json"
    assert usual_file({"XDG_STATE_HOME": "/s", "HOME": "/h"}) == Path("/s") / name
    for environ in ({"HOME": "/h"}, {"HOME": "/h", "XDG_STATE_HOME": "s"}):
        assert usual_file(environ) == Path("/h/.local/state") / name


# The program ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A minute that can be listened to."""
    recording = preset("nudge").simulate(7)
    path = tmp_path_factory.mktemp("invited") / "minute.vaclog"
    with CaptureWriter(path) as writer:
        writer.write(CardText(at_us=0, which="engine", toml=recording.engine_card_toml))
        writer.write(PortOpened(at_us=0, name="port"))
        for at_us, data in recording.chunks:
            if at_us > 60e6:
                break
            writer.write(Chunk(at_us=at_us, data=data))
    return path


@contextmanager
def listening(capture: Path, home: Path, port: int, *more: str) -> Iterator[tuple[str, str]]:
    """``vaclog listen``, killed at the end; the token of its invitation, and what it said."""
    process = subprocess.Popen(
        [sys.executable, "-m", "vaclog", "listen", "--replay", str(capture), "--lan",
         "--port-number", str(port), *more],
        env={**os.environ, "PYTHONPATH": str(ROOT), "HOME": str(home), "XDG_STATE_HOME": ""},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )  # fmt: skip
    assert process.stderr is not None
    said, end = "", time.monotonic() + PATIENCE_S
    try:
        while not (found := re.search(r"Page: \S+#(\S+)\n", said)):
            assert time.monotonic() < end and process.poll() is None, said
            if select.select([process.stderr], [], [], 0.1)[0]:
                said += os.read(process.stderr.fileno(), 65536).decode()
        yield found[1], said
    finally:
        process.send_signal(signal.SIGKILL)
        process.communicate()


def test_phones_come_back_after_the_program_was_killed(capture: Path, tmp_path: Path) -> None:
    """Without an option, and said at the start; the token itself is used up; --forget forgets."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with httpx.Client(base_url=f"http://127.0.0.1:{port}") as phone:
        with listening(capture, tmp_path, port) as (token, said):
            assert "--forget" not in said
            assert phone.get("/me").status_code == 401
            assert phone.post("/join", json={"token": token}).json() == {"control": True}
        kept = tmp_path / ".local" / "state" / "vaclog" / f"invited-{port}.json"
        assert kept.stat().st_mode & 0o777 == 0o600
        secrets = [token, *dict(phone.cookies).values()]
        assert len(secrets) == 2 and not any(each in kept.read_text() for each in secrets)
        with listening(capture, tmp_path, port) as (_, said):
            assert phone.get("/me").json() == {"control": True}
            assert "without a new invitation" in said and "--forget" in said
            with httpx.Client(base_url=phone.base_url) as stranger:
                assert stranger.post("/join", json={"token": token}).status_code == 403
                assert stranger.get("/me").status_code == 401
        with listening(capture, tmp_path, port, "--forget") as (_, said):
            assert phone.get("/me").status_code == 401 and "without a new" not in said
            assert not kept.exists()
