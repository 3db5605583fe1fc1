"""A form over something kept: where somebody else changed that before it was sent, nothing that was typed is lost."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

import streamlit as st

from .sent_forms import claim, done, send
from .state import units

T = TypeVar("T")

__all__ = ["KeptForm"]

_LATE = (
    "Somebody else changed this after you opened it. The fields show what is kept now, and what you typed where it "
    "differs. Nothing of yours is kept yet: look at it and press again."
)
_TOO_SOON = (
    "You pressed again while what you sent before was being kept. That is kept; what you typed since stands in the fields "
    "and is not kept yet: look at it and press again."
)


class KeptForm:
    """The fields of a form during one run of the page, between ``st.form(slot)`` and its buttons.

    A field is known by its key alone, so the key holds what is kept: else the field would go on showing an older state.
    A form that is sent over an older state is not taken; what was typed is laid over the newer one, to be sent again.

    Parameters
    ----------
    slot : str
        Which form, of which record.
    kept : object
        What the fields are made from; another one has another ``repr``.
    late : str
        What to say where it was sent over an older state.
    """

    def __init__(self, slot: str, kept: object, *, late: str = _LATE) -> None:
        self._slot, self._stamp = f"kept_form_{slot}", hash(repr(kept))
        self._fields: dict[str, tuple[str, Any]] = {}
        self._labels: dict[str, str] = {}
        self._keys: list[str] = []
        claim(self._slot)
        over, self._entry, typed = st.session_state.pop(f"{self._slot}_sent", (self._stamp, (), {}))
        self._is_old = over != self._stamp
        taken_over, taken = st.session_state.get(f"{self._slot}_done", (None, ()))
        # A second press of what was taken already is no second wish; other words typed while it was taken are one.
        is_again = self._is_old and over == taken_over and self._entry in ((), taken)
        self.is_late = self._is_old and not is_again
        """It was sent over an older state, and says so: what folds it away must be open."""
        self._late = _TOO_SOON if over == taken_over else late
        self._typed: dict[str, Any] = typed if self.is_late else {}
        opened, first, system = st.session_state.get(f"{self._slot}_opened", (None, "", units()))
        is_open = self.is_late or (opened == self._stamp and first in st.session_state)
        self.units = system if is_open else units()
        """Units of its lengths: those that the page had when the form came up.

        What is typed and not sent yet is in the browser alone. Fields of other units would drop it, or read it in them.
        """

    def key(self, name: str) -> str:
        """Key of a field that begins anew with every state."""
        key = f"{name}_{self._slot}_{self._stamp}"
        if not self._keys:
            st.session_state[f"{self._slot}_opened"] = (self._stamp, key, self.units)
        self._keys.append(key)
        return key

    def field(self, ask: Callable[..., T], label: str, name: str, kept: T, **style: Any) -> T:
        """A field; `ask` is ``st.text_input`` or its like, `name` one that a newer state has where it means the same."""
        key = self.key(name)
        self._labels[label] = key
        self._fields[name] = (key, kept)
        return ask(label, value=self._typed.get(name, kept), key=key, **style)

    def submit(self, label: str, **style: Any) -> bool:
        """The button: whether it was pressed over what is kept now; one pressed over an older state says so."""
        is_sent = st.form_submit_button(label, on_click=self._send, **style)
        if is_sent and self.is_late:
            st.warning(self._late, icon=":material/group:")
        return is_sent and not self._is_old

    @contextmanager
    def taking(self) -> Iterator[None]:
        """Inside, what was sent is kept.

        That it is taken is written down before: a second press meanwhile ends this run at its next word to the session, and
        what was not written down by then would be kept twice.
        """
        slot = f"{self._slot}_done"
        st.session_state[slot] = (self._stamp, self._entry)
        done(self._slot, self._stamp)
        try:
            yield
        except Exception:
            st.session_state.pop(slot, None)
            raise

    def _send(self) -> None:
        # runs before the page is drawn again, while the session still holds the fields of the older state
        now = {name: (st.session_state.get(key, kept), kept) for name, (key, kept) in self._fields.items()}
        typed = {name: value for name, (value, kept) in now.items() if value != kept}
        # nothing where the fields are gone already
        entry = tuple((key, repr(st.session_state[key])) for key in self._keys if key in st.session_state)
        st.session_state[f"{self._slot}_sent"] = (self._stamp, entry, typed)
        send(self._slot, self._labels, self._stamp)
