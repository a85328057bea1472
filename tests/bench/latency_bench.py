"""How long from bytes to the page, and what it costs.

Prints a table: time to decode one read; time from the write into a pseudo-terminal until a
page's stream has the cycle that it completed, against a bare echo of another pseudo-terminal into
an event stream by the same server library in the same run; share of one core and memory of
``vaclog listen`` at 1 kHz with two pages open, before and after the guidance begins to look at the
hill. A bench, not a test: run it on a machine that does nothing else.

    python tests/bench/latency_bench.py [--seconds 100]
"""

from __future__ import annotations

import argparse
import json
import os
import re
import socket
import subprocess
import sys
import tempfile
import threading
import time
from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import numpy as np

from vaclog.cards import engine_card, rig_card
from vaclog.records import Chunk
from vaclog.session import CyclesGrew, Session
from vaclog.signals.chain import SignalChain
from vaclog.simulator.presets import knobs, sweep_script
from vaclog.simulator.recording import Recording
from vaclog.sources.virtual_port import VirtualPort
from vaclog.wire.detect import StreamDecoder

IDLE_S = 26.0

# The barest thing that does the same: a terminal's bytes are counted and told to whoever listens.
ECHO = """
import asyncio, os, socket, sys
import uvicorn
from starlette.applications import Starlette
from starlette.responses import StreamingResponse
from starlette.routing import Route

queues = []
total = 0

def readable(fd):
    global total
    try:
        data = os.read(fd, 4096)
    except OSError:
        data = b""
    if not data:
        os._exit(0)  # the terminal is gone; a stream that somebody still holds must not spin
    total += len(data)
    for queue in queues:
        queue.put_nowait(b'event: live\\ndata: {"bytes":%d,"pad":"%s"}\\n\\n' % (total, b"x" * 60))

async def stream():
    queue = asyncio.Queue()
    queues.append(queue)
    if len(queues) == 1:
        fd = os.open(sys.argv[1], os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
        asyncio.get_running_loop().add_reader(fd, readable, fd)
    yield b"retry: 1000\\n\\n"
    while True:
        yield await queue.get()

async def events(request):
    return StreamingResponse(stream(), media_type="text/event-stream")

sock = socket.create_server(("127.0.0.1", 0))
print(sock.getsockname()[1], flush=True)
config = uvicorn.Config(Starlette(routes=[Route("/events", events)]), log_config=None,
                        access_log=False, lifespan="off", ws="none", http="h11", loop="asyncio")
uvicorn.Server(config).run(sockets=[sock])
"""


@dataclass(kw_only=True)
class Watcher:
    """A page's stream: when what came, from a raw socket."""

    address: str
    cookie: str = ""
    came: list[tuple[int, dict[str, object]]] = field(default_factory=list)

    def start(self) -> None:
        """Watch in a thread."""
        threading.Thread(target=self._watch, daemon=True).start()

    def _watch(self) -> None:
        parts = urlsplit(self.address)
        assert parts.hostname is not None
        with socket.create_connection((parts.hostname, parts.port or 80)) as link:
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            request = (
                f"GET /events HTTP/1.1\r\nHost: {parts.netloc}\r\nCookie: {self.cookie}\r\n\r\n"
            )
            link.sendall(request.encode())
            rest = b""
            while data := link.recv(65536):
                now = time.perf_counter_ns()
                rest += data
                *blocks, rest = rest.split(b"\n\n")
                for block in blocks:
                    found = re.search(rb"event: live\ndata: (\{.*\})", block)
                    if found is not None:
                        self.came.append((now, json.loads(found[1])))


def recording(seconds: float) -> Recording:
    """A long idle, then a sweep there and back."""
    base = knobs()
    rate = 40.0 / max(seconds - 2.3 * IDLE_S, 20.0)
    script = sweep_script("there-and-back", 10.0, 30.0, rate_deg_s=rate, hold_s=IDLE_S)
    return replace(base, script=script).simulate(2)


def completed_by(made: Recording) -> list[int]:
    """After each chunk, how many cycles there are."""
    session = Session(engine=engine_card(made.engine_card_toml), rig=rig_card(made.rig_card_toml))
    counts, cycles = [], 0
    for at_us, data in made.chunks:
        for event in session.feed(Chunk(at_us=at_us, data=data)):
            if isinstance(event, CyclesGrew):
                cycles = event.cycles
        counts.append(cycles)
    return counts


def decode_times(made: Recording) -> tuple[list[float], list[float]]:
    """Milliseconds to decode each read, and to take it along the signal chain."""
    decoder = StreamDecoder()
    chain = SignalChain(engine_card(made.engine_card_toml), rig_card(made.rig_card_toml))
    decoding, chaining = [], []
    for at_us, data in made.chunks:
        start = time.perf_counter_ns()
        messages = decoder.feed(data)
        middle = time.perf_counter_ns()
        chain.feed(messages, at_us)
        decoding.append((middle - start) / 1e6)
        chaining.append((time.perf_counter_ns() - middle) / 1e6)
    return decoding, chaining


def cpu_s(pid: int) -> float:
    """Seconds of processor that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def rss_mb(pid: int) -> float:
    """Memory that a process holds, MB."""
    found = re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())
    assert found is not None
    return int(found[1]) / 1024.0


@dataclass(kw_only=True)
class Listener:
    """``vaclog listen`` and two pages."""

    process: subprocess.Popen[str]
    pages: list[Watcher]
    client: httpx.Client

    @staticmethod
    def begin(folder: Path, port: str, made: Recording) -> Listener:
        """Start it and join."""
        (folder / "engine.toml").write_text(made.engine_card_toml, encoding="utf-8")
        (folder / "rig.toml").write_text(made.rig_card_toml, encoding="utf-8")
        command = [sys.executable, "-m", "vaclog", "listen", port, "--port-number", "0"]
        command += ["--engine", str(folder / "engine.toml"), "--rig", str(folder / "rig.toml")]
        command += ["--capture", str(folder / "bench.vaclog"), "--json"]
        # Who was invited here is nobody's concern afterwards.
        process = subprocess.Popen(
            command,
            env={**os.environ, "XDG_STATE_HOME": str(folder)},
            stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            text=True,
        )
        assert process.stderr is not None
        address = ""
        for line in process.stderr:
            if line.startswith("Page: "):
                address = line.split()[1]
                break
        threading.Thread(target=process.stderr.read, daemon=True).start()
        base, _, token = address.partition("/#")
        client = httpx.Client(base_url=base)
        client.post("/join", json={"token": token}).raise_for_status()
        cookie = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
        pages = [Watcher(address=base, cookie=cookie) for _ in range(2)]
        for page in pages:
            page.start()
        return Listener(process=process, pages=pages, client=client)


def play(
    made: Recording, ports: tuple[VirtualPort, VirtualPort], seconds: float
) -> Iterator[tuple[int, int, int]]:
    """Send in real time to both; yields chunk number and when each of the two was sent."""
    start = time.perf_counter_ns()
    for number, (at_us, data) in enumerate(made.chunks):
        if at_us > seconds * 1e6:
            return
        while (left := start + at_us * 1000 - time.perf_counter_ns()) > 0:
            time.sleep(left / 1e9)
        sent = [0, 0]
        # Who is served first changes, so that neither has an advantage of it.
        for which in (0, 1) if number % 2 else (1, 0):
            sent[which] = time.perf_counter_ns()
            ports[which].send(data)
        yield number, sent[0], sent[1]


def main() -> None:
    """Run it and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=100.0)
    seconds = parser.parse_args().seconds
    made = recording(seconds)
    decoding, chaining = decode_times(made)
    counts = completed_by(made)
    ends = np.cumsum([len(data) for _, data in made.chunks]).tolist()
    with tempfile.TemporaryDirectory() as name, VirtualPort() as one, VirtualPort() as two:
        listener = Listener.begin(Path(name), one.name, made)
        echo = subprocess.Popen(
            [sys.executable, "-c", ECHO, two.name], stdout=subprocess.PIPE, text=True
        )
        assert echo.stdout is not None
        bare = Watcher(address=f"http://127.0.0.1:{int(echo.stdout.readline())}")
        bare.start()
        while not (one.is_open and two.is_open):
            time.sleep(0.05)
        time.sleep(0.5)
        pid, sent, marks = listener.process.pid, {}, []
        for number, first, second in play(made, (one, two), seconds):
            sent[number] = (first, second)
            at_s = made.chunks[number][0] / 1e6
            if number == 300:
                listener.client.post("/say", json={"kind": "tap", "text": "scribed"})
            when = (4.0, IDLE_S - 4.0, IDLE_S + 4.0, seconds - 1.0)
            if len(marks) < len(when) and at_s >= when[len(marks)]:
                marks.append((at_s, cpu_s(pid), rss_mb(pid)))
        time.sleep(0.5)
        echo.kill()
        listener.process.send_signal(2)
        listener.process.wait(60)
    early, late = delays(listener.pages, counts, sent, made)
    echoes = echo_delays(bare, ends, counts, sent)
    report(decoding, chaining, echoes, early, late, marks)


def delays(
    pages: list[Watcher],
    counts: list[int],
    sent: dict[int, tuple[int, int]],
    made: Recording,
) -> tuple[list[float], list[float]]:
    """Milliseconds from byte to page while idling, and while the hill is looked at."""
    early, late = [], []
    for page in pages:
        for came, live in page.came:
            number = bisect_left(counts, int(str(live["cycles"])))
            if number in sent:
                at_s = made.chunks[number][0] / 1e6
                (early if at_s < IDLE_S - 4.0 else late).append((came - sent[number][0]) / 1e6)
    return early, late


def echo_delays(
    bare: Watcher, ends: list[int], counts: list[int], sent: dict[int, tuple[int, int]]
) -> list[float]:
    """Milliseconds of the echo, for the same chunks: those that complete a cycle."""
    found = []
    for came, live in bare.came:
        number = bisect_left(ends, int(str(live["bytes"])))
        if number in sent and number > 0 and counts[number] > counts[number - 1]:
            found.append((came - sent[number][1]) / 1e6)
    return found


def report(
    decoding: list[float],
    chaining: list[float],
    echoes: list[float],
    early: list[float],
    late: list[float],
    marks: list[tuple[float, float, float]],
) -> None:
    """Print the table."""

    def row(what: str, values: list[float], goal: str) -> None:
        if values:
            middle, high = np.percentile(values, [50, 99])
            print(f"{what:44} {middle:9.3f} {high:9.3f} {len(values):7d}   {goal}")

    print(f"{'':44} {'median':>9} {'p99':>9} {'n':>7}   goal")
    row("decode one read, ms", decoding, "p99 <= 1")
    row("signal chain for one read, ms", chaining, "")
    row("bare echo, pty to event stream, ms", echoes, "")
    row("byte to page, idling, ms", early, "p99 <= 2 x echo")
    row("byte to page, guidance looking, ms", late, "p99 <= 2 x echo")
    if echoes and early and late:
        base = np.percentile(echoes, 99)
        ratios = [np.percentile(each, 99) / base for each in (early, late)]
        print(f"{'p99 as a multiple of the echo':44} {ratios[0]:9.2f} {ratios[1]:9.2f}")
    for what, a, b, goal in (
        ("share of a core, idling, two pages, %", 0, 1, "<= 5"),
        ("share of a core, guidance looking, %", 2, 3, "<= 5"),
    ):
        share = 100.0 * (marks[b][1] - marks[a][1]) / (marks[b][0] - marks[a][0])
        print(f"{what:44} {share:9.2f} {'':9} {'':7}   {goal}")
    print(f"{'memory before the first look, MB':44} {marks[1][2]:9.1f} {'':9} {'':7}   <= 70")
    print(f"{'memory at the end, MB':44} {marks[3][2]:9.1f}")


if __name__ == "__main__":
    main()
