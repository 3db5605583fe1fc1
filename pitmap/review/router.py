"""Which pages there are, and what surrounds each of them."""

from __future__ import annotations

import gc
import importlib
from collections.abc import Callable
from typing import Any

import streamlit as st

from .guard import guarded, sentences
from .state import choose_person, choose_units, restore_place

__all__ = ["PAGES", "page_named", "run"]

PAGES: tuple[tuple[str, str, str, str], ...] = (
    ("Job", "jobs", "Jobs", ":material/inventory_2:"),
    ("Job", "checklist", "Checklist", ":material/checklist:"),
    ("Face", "photos", "Photos", ":material/photo_camera:"),
    ("Face", "alignment", "Alignment", ":material/align_justify_center:"),
    ("Face", "map", "Map", ":material/grid_on:"),
    ("Face", "depth", "Depth", ":material/vertical_align_bottom:"),
    ("Decide", "plan", "Plan", ":material/straighten:"),
    ("Decide", "before_after", "Before and after", ":material/compare:"),
    ("Decide", "record", "Record", ":material/description:"),
    ("Shop", "drawing", "Drawing", ":material/draw:"),
)
"""Section, module under ``screens``, title, icon."""


def _loaded(name: str) -> Any:
    """A page's module, loaded when it is opened: the first page must not wait for the plotting libraries of the others.

    Streamlit collects garbage after every run of a page. Walking over all that the libraries made when they were loaded
    takes a fifth of a second each time, and none of it is ever garbage.
    """
    page = importlib.import_module(name)
    if name not in _LOADED:
        _LOADED.add(name)
        gc.collect()
        gc.freeze()
    return page


def _page(module: str) -> Callable[[], None]:
    def show() -> None:
        _loaded(f"{__package__}.screens.{module}").show()

    show.__name__ = module
    return guarded(show)


def _to_first() -> None:
    st.switch_page(page_named(PAGES[0][1]))


_TOUCH_STYLE = """
@media (hover: none) {
  [data-testid="stDataFrame"] { margin-top: 2.6rem; }
}"""
"""Where nothing hovers, the tools of a table are always there: they get room above it, and lie over no title."""

_FOCUS_STYLE = """
[data-testid="stSidebarNavLink"]:focus-visible, [data-testid="stCheckbox"] label:has(input:focus-visible) {
  outline: 3px solid #0b5c8a;
}
[data-testid="stElementToolbar"]:focus-within { opacity: 1 !important; }"""
"""Whoever works with the keyboard sees where it is: these showed a grey that hardly stands out, a table's tools nothing."""

_PRINT_STYLE = """
@media print {
  @page { size: landscape; margin: 10mm; }
  [data-testid="stSidebar"], [data-testid="stHeader"] { display: none !important; }
  [data-testid="stMain"] { zoom: 0.6; }
  [data-testid="stMainBlockContainer"] { padding: 0 !important; }
  [data-testid="stPlotlyChart"], [data-testid="stDataFrame"], [data-testid="stImage"] { break-inside: avoid; }
  [data-testid="stMainBlockContainer"]::before {
    content: "A table is printed here as far as the screen shows it. For paper take the PDF of the Record page.";
  }
}"""
"""A browser prints pictures and tables as wide as they stand on the screen, and cuts off what goes over the paper: the map
lost its right third, the picture after a lap all of it. Made so small, those of a screen 1920 px wide go on A4 and letter.
"""

_TAP_SCRIPT = """
if (!window.pitmapTaps) {
  window.pitmapTaps = true;
  document.addEventListener("touchstart", (event) => {
    const [finger, second] = event.touches;
    if (second || !event.target.closest?.(".js-plotly-plot .nsewdrag")) return;
    event.target.dispatchEvent(
      new MouseEvent("mousemove", {bubbles: true, clientX: finger.clientX, clientY: finger.clientY}));
  }, {capture: true, passive: true});
}"""
"""A chart chooses what the pointer was over last, and a finger is over nothing before it taps: every tap on a ring chose
the one tapped before it. So the chart is told where the finger is before it hears of the tap.
"""

_ICON = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32">
<circle cx="16" cy="16" r="14" fill="#0b5a8a"/><circle cx="16" cy="16" r="5" fill="#fff"/>
<circle cx="8" cy="13" r="2" fill="#fff"/><circle cx="22" cy="24" r="2.5" fill="#fff"/></svg>"""
"""For the browser's tab; a named icon would be fetched from the internet, which a shop's computer may not have."""

_SHOWN: dict[str, Any] = {}
_LOADED: set[str] = set()


def page_named(module: str) -> Any:
    """The page of a module, for ``st.switch_page``."""
    return _SHOWN[module]


def run() -> None:
    """Set the page up, restore where the person was, and show the page that was chosen."""
    st.set_page_config(page_icon=_ICON, layout="wide")
    sections: dict[str, list[Any]] = {}
    for k, (section, module, title, icon) in enumerate(PAGES):
        path = module if k else "start"
        page = st.Page(_page(module), title=title, icon=icon, url_path=path, default=k == 0)
        sections.setdefault(section, []).append(page)
        _SHOWN[module] = page
    # Streamlit serves the first page at the bare address; a link to its name must find it too.
    alias = st.Page(_to_first, title="Jobs", url_path=PAGES[0][1], visibility="hidden")
    sections[PAGES[0][0]].append(alias)
    # Before the page is chosen, for the browser goes to its address at once: with the records not told by then it made
    # two stops of one, and the way back took two presses. Not `guarded`: no form was sent, nothing is drawn yet.
    with sentences():
        restore_place()
    chosen = st.navigation(sections)
    # windows beside each other, the way back and a printed page are told apart by it
    st.set_page_config(page_title=f"{chosen.title} - pitmap")
    st.html(
        f"<style>{_TOUCH_STYLE}{_FOCUS_STYLE}{_PRINT_STYLE}</style><script>{_TAP_SCRIPT}</script>",
        unsafe_allow_javascript=True,
    )
    with st.sidebar:
        choose_units()
        choose_person()
        # a page that is left open ends its session in the night, and its fields are empty in the morning
        st.caption("What you type is kept when you press the button under it, not before.")
    chosen.run()
