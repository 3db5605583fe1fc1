"""``pitmap review``: the review page in a browser."""

from __future__ import annotations

import ipaddress
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import FrameType

import click

from ..errors import InputError

__all__ = ["command"]

_TO_END_S = 5.0
"""What the page's server has to end by itself: a map that is being made holds it longer (house choice)."""


@click.command(name="review")
@click.option(
    "--casebook",
    default=None,
    metavar="URL",
    help="File, folder or database URL of the casebook; else what the variable PITMAP_CASEBOOK says, or casebook.db in "
    "your data folder.",
)
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    default=8501,
    show_default=True,
    help="Port of the page; another one where this is taken.",
)
@click.option(
    "--address", default="127.0.0.1", show_default=True,
    help="Who may open the page: 127.0.0.1 is this computer only. See the README before opening it to a network.",
)  # fmt: skip
@click.option(
    "--who", default=None, help="The name that changes are written under until somebody types theirs."
)
def command(casebook: str | None, port: int, address: str, who: str | None) -> int:
    """Open the review page: jobs, photos, maps, plans and records."""
    _must_be_free(address, port)
    if not _is_of_this_computer(address):
        click.echo(
            f"--address {address}: pitmap has no passwords, so everybody on that network can read and change every job. "
            "Open it to a network you trust only, behind a web server with a login (see the README)",
            err=True,
        )
    page = Path(__file__).resolve().parents[1] / "review" / "start.py"
    environment = dict(os.environ, STREAMLIT_BROWSER_GATHER_USAGE_STATS="false")
    if casebook:
        environment["PITMAP_CASEBOOK"] = casebook
    if who:
        environment["PITMAP_WHO"] = who
    click.echo(
        f"pitmap review: http://{'localhost' if address == '127.0.0.1' else address}:{port} (stop with Ctrl+C)"
    )
    arguments = [
        "--server.address", address, "--server.port", str(port), "--server.headless", "true",
        "--server.fileWatcherType", "none", "--client.showErrorDetails", "none", "--client.toolbarMode", "minimal",
        "--browser.gatherUsageStats", "false",
    ]  # fmt: skip
    return _serve([sys.executable, "-m", "streamlit", "run", str(page), *arguments], environment)


def _serve(call: Sequence[str], environment: Mapping[str, str]) -> int:
    """Run the page's server to its end, and have it end with this command: left behind it would keep the port, and serve
    every job to whoever may open it."""
    told: list[int] = []
    started: list[subprocess.Popen[bytes]] = []

    def end() -> None:
        for server in started:
            server.terminate()
            by_force = threading.Timer(_TO_END_S, server.kill)
            by_force.daemon = True
            by_force.start()

    def hear(number: int, _: FrameType | None) -> None:
        told.append(number)
        end()

    names = ("SIGINT", "SIGTERM", "SIGHUP")  # not every system has the last
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    # what is ignored stays so: nohup wants the page to outlive the terminal
    heard = [number for number in numbers if signal.getsignal(number) != signal.SIG_IGN]
    before = {number: signal.signal(number, hear) for number in heard}
    try:
        started.append(subprocess.Popen(call, env=environment))
        if told:  # while the server was being started
            end()
        code = started[0].wait()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    if not told:
        return code
    if told[0] == signal.SIGINT:
        raise KeyboardInterrupt
    signal.signal(told[0], signal.SIG_DFL)
    signal.raise_signal(told[0])  # whoever sent it sees that it was heeded
    return code


def _is_of_this_computer(address: str) -> bool:
    """Nobody else reaches the address."""
    found = socket.getaddrinfo(address, None, type=socket.SOCK_STREAM)
    return all(ipaddress.ip_address(place[0]).is_loopback for *_, place in found)


def _must_be_free(address: str, port: int) -> None:
    """Refuse an address that is not of this computer, or a port that is taken, before the page's server trips over it."""
    where = f"--address {address} --port {port}"
    try:
        family, kind, protocol, _, place = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind, protocol) as door:
            door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            door.bind(place)
    except (OSError, UnicodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "no such address"
        raise InputError(
            f"{where}: cannot be opened ({why}); is another review page open already? Give another --port, and as --address "
            "one of this computer's own"
        ) from error
