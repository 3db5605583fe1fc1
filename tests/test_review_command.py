"""``pitmap review`` and the server of its page, two processes, end together."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import suppress
from pathlib import Path

import pytest

_PATIENCE_S = 90.0

if sys.platform == "win32":
    pytest.skip("this system ends processes without a signal", allow_module_level=True)


@pytest.mark.parametrize(
    ("number", "code"),
    [
        (signal.SIGINT, 130),  # the README's table
        (signal.SIGTERM, -signal.SIGTERM),  # as a process without a handler ends
        (signal.SIGHUP, -signal.SIGHUP),
    ],
)
def test_the_page_ends_with_the_command(number: signal.Signals, code: int, tmp_path: Path) -> None:
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        port = door.getsockname()[1]
    call = [
        sys.executable,
        "-m",
        "pitmap",
        "review",
        "--port",
        str(port),
        "--casebook",
        str(tmp_path / "book"),
    ]
    # a session of its own, so that the signal reaches the command alone and a server that is left can be ended
    command = subprocess.Popen(
        call, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    try:
        _wait_for_the_page(port)
        command.send_signal(number)
        # the page's server holds the pipe too: this waits for the end of both
        _, said = command.communicate(timeout=_PATIENCE_S)
    finally:
        with suppress(ProcessLookupError):
            os.killpg(command.pid, signal.SIGKILL)
        command.wait()
    assert command.returncode == code
    assert "Traceback" not in said


def _wait_for_the_page(port: int) -> None:
    until = time.monotonic() + _PATIENCE_S
    while time.monotonic() < until:
        with (
            suppress(OSError),
            urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=5) as page,
        ):
            assert page.status == 200
            return
        time.sleep(0.2)
    raise AssertionError(f"no page within {_PATIENCE_S} s")
