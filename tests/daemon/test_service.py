"""The unit in the notes for running at boot: systemd takes it, the command takes its options."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import textwrap
from pathlib import Path

import pytest

from vaclog.cli.listen import listen

NOTES = Path(__file__).parents[2] / "firmware_notes" / "service.md"
PROGRAM = "/var/lib/vaclog/env/bin/vaclog"


def unit() -> str:
    """The unit as it stands in the notes."""
    found = re.search(r"^    \[Unit\]\n(?:    .*\n|\n)+", NOTES.read_text(), re.MULTILINE)
    assert found is not None
    return textwrap.dedent(found[0])


def test_the_command_takes_what_the_unit_gives(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Options that no longer exist would only show on the car."""
    started = re.search(r"^ExecStart=((?:.*\\\n)*.*)", unit(), re.MULTILINE)
    assert started is not None
    program, command, *given = shlex.split(started[1].replace("\\\n", " ").replace("%I", "ttyUSB0"))
    assert (program, command) == (PROGRAM, "listen")
    monkeypatch.chdir(tmp_path)
    for card in ("engine.toml", "rig.toml"):
        Path(card).touch()
    context = listen.make_context("listen", given)
    assert context.params["port"] == "/dev/ttyUSB0"
    assert context.params["lan"] and context.params["port_number"] == 8484


def test_the_recording_outlives_the_plug_and_the_answer() -> None:
    """Bound to its device, or killed over memory or time, the unit would end what must go on."""
    keys = dict(re.findall(r"^(\w+)=(.*)$", unit(), re.MULTILINE))
    assert not {"BindsTo", "Requires", "PartOf", "MemoryMax", "RuntimeMaxSec"} & set(keys)
    assert keys["WantedBy"] == "dev-%i.device"
    assert keys["KillSignal"] == "SIGTERM" and int(keys["TimeoutStopSec"]) >= 120
    assert keys["Restart"] == "on-failure" and int(keys["RestartSec"]) >= 5


def test_systemd_takes_the_unit(tmp_path: Path) -> None:
    """Its own check, without a word of complaint; the program is not installed here."""
    verify = shutil.which("systemd-analyze")
    if verify is None:
        pytest.skip("no systemd here")
    path = tmp_path / "vaclog@ttyUSB0.service"
    path.write_text(unit().replace(PROGRAM, shutil.which("true") or "/bin/true"))
    ran = subprocess.run(
        [verify, "verify", "--man=no", str(path)], capture_output=True, text=True, check=False
    )
    about = [line for line in ran.stderr.splitlines() if "vaclog" in line]
    assert about == [] and ran.returncode == 0, ran.stderr
