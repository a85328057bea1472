"""The stream of events: several watchers, slow ones, late ones, and the end."""

from __future__ import annotations

import asyncio
import json
import math
import threading
from collections.abc import Iterator

import httpx
import pytest

from tests.web.conftest import Served
from vaclog.session import CyclesGrew, Noticed
from vaclog.web.feed import Feed, live_json
from vaclog.web.hub import Hub
from vaclog.web.server import PageError, names, open_socket


def grew(cycles: int) -> CyclesGrew:
    """A cycle of an idling engine."""
    return CyclesGrew(
        cycles=cycles,
        at_us=cycles * 141_000,
        rpm=850.0,
        pressure_kpa=40.0,
        advance_deg=14.0,
        mean_rpm=851.2,
        mean_kpa=40.5,
        mean_deg=math.nan,
        barometer_kpa=100.0,
    )


def messages(answer: httpx.Response) -> Iterator[tuple[str, dict[str, object]]]:
    """Kind and data of each message as it comes."""
    kind = ""
    for line in answer.iter_lines():
        if line.startswith("event: "):
            kind = line.removeprefix("event: ")
        elif line.startswith("data: "):
            yield kind, json.loads(line.removeprefix("data: "))


def until(stream: Iterator[tuple[str, dict[str, object]]], kind: str) -> dict[str, object]:
    """Data of the next message of a kind."""
    return next(data for each, data in stream if each == kind)


def test_two_phones_get_the_same_and_a_late_one_the_latest(served: Served) -> None:
    """Each has a stream of its own; who comes later need not wait for the next cycle."""
    feed = Feed(served.hub, name="port", clock_s=lambda: 5.0)
    with served.phone("control") as one, served.phone("watch") as two:
        with one.stream("GET", "/events") as first, two.stream("GET", "/events") as second:
            assert first.headers["content-type"].startswith("text/event-stream")
            streams = [messages(first), messages(second)]
            assert [until(each, "you")["control"] for each in streams] == [True, False]
            assert until(streams[0], "hello")["unit"] == "inHg"
            assert until(streams[1], "hello")["name"] == "port"
            feed.on_event(grew(7))
            live = [until(each, "live") for each in streams]
            assert live[0] == live[1]
            assert live[0] == {
                "cycles": 7,
                "at_us": 987_000,
                "rpm": 851.2,
                "kpa": 40.5,
                "vacuum_kpa": 59.5,
                "deg": None,
            }
            feed.on_event(Noticed(text="something"))
            assert until(streams[0], "note")["text"] == "something"
        with two.stream("GET", "/events") as third:
            assert until(messages(third), "live")["cycles"] == 7


def test_a_phone_that_goes_away_is_forgotten(served: Served) -> None:
    """The listener goes on; nothing piles up for it."""
    feed = Feed(served.hub, name="port")
    with served.phone("watch") as phone, phone.stream("GET", "/events") as answer:
        stream = messages(answer)  # held: a reader that is let go closes the stream
        until(stream, "hello")
        assert served.hub.watchers == 1
    gone = threading.Event()
    for cycles in range(2000):
        feed.on_event(grew(cycles))
        if served.hub.watchers == 0:
            gone.set()
            break
        gone.wait(0.005)
    assert gone.is_set()


def test_a_slow_watcher_gets_the_latest_and_holds_nobody_up() -> None:
    """Whoever does not take what comes is sent the newest of each kind, in a bounded queue."""
    hub = Hub()

    async def watch() -> list[bytes]:
        stream = hub.watch()
        await anext(stream)  # the line on when to try again
        waiting = asyncio.ensure_future(anext(stream))
        await asyncio.sleep(0)
        for number in range(1000):
            hub.publish("live", str(number))
        hub.publish("view", "{}")
        await asyncio.sleep(0)
        heard = [await waiting]
        hub.close()
        async for data in stream:
            heard.append(data)
        return heard

    heard = asyncio.run(watch())
    assert len(heard) < 100
    assert any(b"data: 999\n" in each for each in heard)
    assert any(b"event: view" in each for each in heard)


def test_beats_tell_silence_from_rest() -> None:
    """The age of the last cycle; none before there was one."""
    now = [100.0]
    hub = Hub()
    feed = Feed(hub, name="port", clock_s=lambda: now[0])

    def beat() -> object:
        feed.beat()
        return json.loads(hub._latest["beat"].data)["age_s"]

    assert beat() is None
    feed.on_event(grew(1))
    now[0] = 104.5
    assert beat() == 4.5


def test_live_numbers_are_strict_json() -> None:
    """What is not known is null, never NaN."""
    unknown = CyclesGrew(cycles=1, at_us=1, rpm=1.0, pressure_kpa=1.0, advance_deg=math.nan)
    live = json.loads(live_json(unknown), parse_constant=pytest.fail)
    assert live["deg"] is None and live["vacuum_kpa"] is None and live["rpm"] is None


def test_a_taken_port_is_said_or_stepped_over() -> None:
    """By number it is an error with the fix; by default the next one is taken."""
    with open_socket("127.0.0.1", 0) as first:
        port = first.getsockname()[1]
        with pytest.raises(PageError, match=f"port {port}.*--port-number"):
            open_socket("127.0.0.1", port)
        with open_socket("127.0.0.1", port, or_next=True) as second:
            assert port < second.getsockname()[1] <= port + 10
    with pytest.raises(PageError, match="not"):
        open_socket("192.0.2.7", 0)  # an address kept for documents (RFC 5737), nobody's own


def test_only_a_page_of_the_network_goes_by_its_names() -> None:
    """On loopback no name of the local network is taken."""
    assert names("127.0.0.1", 80) == ["127.0.0.1:80", "localhost:80", "[::1]:80", "127.0.0.1:80"]
    assert "garage.lan:80" in names("0.0.0.0", 80, ("garage.lan",))
