"""A casebook with a mapped face, and the review page served from it."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import pytest
from filelock import FileLock
from streamlit.components.v2 import manifest_scanner
from survey_fakes import keep_survey

from pitmap.casebook import Casebook
from pitmap.casebook.sample import load_sample, sample_folder
from pitmap.classes import Stage
from pitmap.settings import Settings
from pitmap.workflow import map_survey

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="session", autouse=True)
def scanned_once() -> Iterator[None]:
    """Before each run of a page Streamlit reads what every installed package says of itself: half of a small page's time."""
    with pytest.MonkeyPatch.context() as patch:
        scan = manifest_scanner.scan_component_manifests
        patch.setattr(manifest_scanner, "scan_component_manifests", cache(scan))
        yield


@pytest.fixture(scope="session")
def chromium() -> str:
    """Debian's browser, or a skip that says how to get it."""
    path = shutil.which("chromium")
    if path is None:
        pytest.skip("no browser: apt-get install chromium")
    return path


@pytest.fixture(scope="session")
def samples() -> Path:
    return sample_folder()


@pytest.fixture(scope="session")
def mapped_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample job with the first two surveys of face A mapped, coarsely so that it is quick.

    Of several processes of tests one maps them, and each gets a copy of its own.
    """
    base = tmp_path_factory.getbasetemp()
    made = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "mapped"
    with FileLock(f"{made}.lock"):
        if not (made / "whole").exists():
            shutil.rmtree(made, ignore_errors=True)
            (made / "casebook").mkdir(parents=True)
            _map_sample(made / "casebook")
            (made / "whole").touch()
    return Path(shutil.copytree(made / "casebook", tmp_path_factory.mktemp("mapped") / "casebook"))


def _map_sample(path: Path) -> None:
    with Casebook(path, who="Ada") as book:
        job, plate = load_sample(book)
        face = next(f for f in book.faces(plate) if f.name == "A")
        surveys = sorted(book.surveys(face=face, job=job), key=lambda s: Stage(s.stage).order)
        for survey in surveys[:2]:
            for photo in book.photos(survey)[1:]:
                book.withdraw(photo, "one lamp is enough for this test")
            map_survey(book, survey, plate, face, settings=Settings(map_px_per_mm=4.0, picture_px_per_mm=2.0))


@pytest.fixture
def empty_book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Casebook]:
    """The empty casebook that the pages open in this test."""
    import streamlit as st

    st.cache_resource.clear()
    st.cache_data.clear()
    monkeypatch.setenv("PITMAP_CASEBOOK", str(tmp_path))
    with Casebook(tmp_path, who="Ada") as book:
        yield book
    st.cache_resource.clear()


@contextmanager
def _served(folder: Path) -> Iterator[str]:
    """The review page on the casebook in a folder; its address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = dict(os.environ, PITMAP_CASEBOOK=str(folder), PITMAP_WHO="Ada", OMP_NUM_THREADS="1")
    with open(folder / "server.log", "wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "pitmap", "review", "--port", str(port)],
            env=environment, cwd=ROOT, stdout=log, stderr=subprocess.STDOUT,
        )  # fmt: skip
    try:
        for _ in range(240):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.25)
        else:
            pytest.fail(f"the review page did not start: {(folder / 'server.log').read_text()[-2000:]}")
        yield f"http://127.0.0.1:{port}"
    finally:
        # The command starts Streamlit as a child; both must go.
        subprocess.run(["pkill", "-P", str(process.pid)], check=False)
        process.terminate()
        process.wait(20)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The review page on an empty casebook; its address."""
    with _served(tmp_path_factory.mktemp("served")) as address:
        yield address


@pytest.fixture(scope="module")
def sample_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The review page on a casebook with the sample job, not mapped; its address."""
    folder = tmp_path_factory.mktemp("served_sample")
    with Casebook(folder, who="Ada") as book:
        load_sample(book)
    with _served(folder) as address:
        yield address


@pytest.fixture(scope="module")
def mapped_server(mapped_book: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The review page on a copy of the mapped casebook; its address."""
    folder = tmp_path_factory.mktemp("served_mapped") / "book"
    shutil.copytree(mapped_book, folder)
    with _served(folder) as address:
        yield address


@pytest.fixture
def small_server(tmp_path: Path) -> Iterator[str]:
    """The review page on a casebook with one small mapped survey and its intake checklist; its address."""
    folder = tmp_path / "book"
    folder.mkdir()
    with Casebook(folder, who="Ada") as book:
        keep_survey(book, tmp_path / "map", [(0.0, 25.0, 3.0)])
        book.start_checklist(book.jobs()[0], book.plates()[0], "intake")
    with _served(folder) as address:
        yield address


@pytest.fixture(scope="module")
def browser(chromium: str) -> Iterator[object]:
    """A real browser."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as p:
        started = p.chromium.launch(
            executable_path=chromium,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--disable-background-networking",
                "--disable-sync",
            ],
        )
        yield started
        started.close()


@pytest.fixture(scope="module")
def page(server: str, browser) -> object:  # type: ignore[no-untyped-def]
    """A browser tab at shop-computer width on the review page."""
    page = browser.new_page(viewport={"width": 1400, "height": 1000}, accept_downloads=True)
    page.set_default_timeout(60_000)
    page.goto(server)
    return page
