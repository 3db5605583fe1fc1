"""Corrections of a map by hand: layers over the machine's map, which itself is never changed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from ..classes import SurfaceClass
from ..errors import EditConflict, InputError
from . import models as m
from . import records as r
from .clean import clean_choice, clean_json, clean_line
from .desk import Desk

__all__ = ["EDIT_ACTIONS", "EditDesk"]

_KEPT = "Your correction is kept as a draft layer: read the map again, then accept or discard it"

EDIT_ACTIONS = ("brush", "polygon", "erase", "change class")


class EditDesk(Desk):
    """The part of the casebook about edit layers.

    Who edits says which pile of layers was seen: `edits_version` of the inspection. When it has grown or
    shrunk since, the edit is kept as a draft layer and refused with the name of who was first.
    """

    def add_edit(
        self,
        inspection: r.InspectionRef,
        action: str,
        *,
        class_code: int,
        shape: Mapping[str, Any],
        reason: str,
    ) -> r.MapEdit:
        """Lay one correction on top of the pile.

        Parameters
        ----------
        inspection : InspectionRef
            As it was read; its `edits_version` says which layers the person saw.
        action : str
            ``brush``, ``polygon``, ``erase`` or ``change class``.
        class_code : int
            A :class:`~pitmap.classes.SurfaceClass`.
        shape : mapping
            What was drawn, in plate millimetres, as plain values; up to a million characters as JSON.
        reason : str
            Why; required, because a record with unexplained corrections convinces nobody.

        Raises
        ------
        InputError
            An entry that cannot be taken.
        EditConflict
            Somebody else was first, or a newer inspection exists; the edit is kept as a draft layer.
        CasebookError
            The survey is signed.
        """
        if class_code not in [c.value for c in SurfaceClass]:
            raise InputError(f"map_edit.class_code: {ascii(class_code)[:60]} is no class of the map")
        edit = m.MapEditRow(
            action=clean_choice(action, "map_edit.action", EDIT_ACTIONS),
            class_code=int(class_code),
            shape_json=clean_json(dict(shape), "map_edit.shape"),
            reason=clean_line(reason, "map_edit.reason", required=True, limit=2000),
            seen_version=inspection.edits_version,
            created_by=self.who,
            changed_by=self.who,
        )
        with self._write() as session:
            pile = self._row(session, m.InspectionRow, inspection.id, lock=True)
            self._must_be_open(session, pile)
            newest = self._newest_inspection(session, pile.survey_id)
            conflict = self._pile_conflict(pile, newest, inspection.edits_version, _KEPT)
            edit.inspection_id = pile.id if newest is None else newest.id
            edit.state = "applied" if conflict is None else "draft"
            edit.layer = self._top(session, pile.id) + 1 if conflict is None else None
            session.add(edit)
            session.flush()
            told = {"action": [None, edit.action], "class_code": [None, edit.class_code]}
            self._log(session, "edit" if conflict is None else "keep as draft", edit, told, edit.reason)
            if conflict is None:
                self._grow(pile)
                return r.to_record(r.MapEdit, edit)
            conflict.draft_id = edit.id
        raise conflict

    def edits(
        self, inspection: r.InspectionRef, *, states: tuple[str, ...] = ("applied",)
    ) -> tuple[r.MapEdit, ...]:
        """The layers of an inspection from the bottom up, drafts last; `states` picks which."""
        for state in states:
            clean_choice(state, "states", ("applied", "undone", "draft", "discarded"))
        query = (
            select(m.MapEditRow)
            .where(m.MapEditRow.inspection_id == inspection.id, m.MapEditRow.state.in_(states))
            .order_by(m.MapEditRow.layer.is_(None), m.MapEditRow.layer, m.MapEditRow.id)
        )
        with self._read() as session:
            return tuple(r.to_record(r.MapEdit, row) for row in session.scalars(query))

    def undo_edit(self, inspection: r.InspectionRef, edit: r.MapEdit | None = None) -> r.MapEdit:
        """Take the top layer off the pile, or the one that is named; it is kept and can be redone.

        Raises
        ------
        InputError
            There is nothing to undo.
        EditConflict
            Somebody changed the layers meanwhile.
        """
        return self._switch(inspection, edit, "applied", "undone", "undo")

    def redo_edit(self, inspection: r.InspectionRef, edit: r.MapEdit | None = None) -> r.MapEdit:
        """Put back the layer that was undone last, or the one that is named, at its old place in the pile.

        Without `edit` only layers above the present top count: an edit made after an undo ends the redoing.
        """
        return self._switch(inspection, edit, "undone", "applied", "redo")

    def accept_draft_edit(self, inspection: r.InspectionRef, edit: r.MapEdit) -> r.MapEdit:
        """Lay a draft layer on top of the pile as it is now."""
        return self._switch(inspection, edit, "draft", "applied", "accept")

    def discard_draft_edit(self, inspection: r.InspectionRef, edit: r.MapEdit) -> r.MapEdit:
        """Lay a draft layer aside; it stays readable."""
        return self._switch(inspection, edit, "draft", "discarded", "discard")

    def _switch(
        self,
        inspection: r.InspectionRef,
        edit: r.MapEdit | None,
        before: str,
        after: str,
        action: str,
    ) -> r.MapEdit:
        with self._write() as session:
            pile = self._row(session, m.InspectionRow, inspection.id, lock=True)
            self._must_be_open(session, pile)
            conflict = self._pile_conflict(pile, pile, inspection.edits_version, "Read the map again")
            if conflict is None:
                row = self._chosen(session, pile.id, edit, before, action)
                if before == "draft" and after == "applied":
                    row.layer = self._top(session, pile.id) + 1
                    row.accepted_by = self.who
                row.state = after
                row.changed_at, row.changed_by = m.now(), self.who
                session.flush()
                self._log(session, action, row, {"state": [before, after]})
                if after != "discarded":
                    self._grow(pile)
                return r.to_record(r.MapEdit, row)
        raise conflict

    def _chosen(
        self, session: Session, pile_id: int, edit: r.MapEdit | None, state: str, action: str
    ) -> m.MapEditRow:
        if edit is not None:
            row = self._row(session, m.MapEditRow, edit.id)
            if row.inspection_id != pile_id or row.state != state:
                raise InputError(f"map_edit: number {row.id} is {row.state}; there is nothing to {action}")
            return row
        query = select(m.MapEditRow).where(m.MapEditRow.inspection_id == pile_id, m.MapEditRow.state == state)
        if state == "applied":
            query = query.order_by(m.MapEditRow.layer.desc())
        else:
            query = query.where(m.MapEditRow.layer > self._top(session, pile_id, applied_only=True))
            query = query.order_by(m.MapEditRow.layer)
        found = session.scalars(query.limit(1)).one_or_none()
        if found is None:
            raise InputError(f"map_edit: there is nothing to {action}")
        return found

    def _top(self, session: Session, pile_id: int, *, applied_only: bool = False) -> int:
        query = select(func.max(m.MapEditRow.layer)).where(m.MapEditRow.inspection_id == pile_id)
        if applied_only:
            query = query.where(m.MapEditRow.state == "applied")
        return session.scalar(query) or 0

    def _grow(self, pile: m.InspectionRow) -> None:
        pile.edits_version += 1
        self._touch(pile)

    def _pile_conflict(
        self, pile: m.InspectionRow, newest: m.InspectionRow | None, seen: int, tail: str
    ) -> EditConflict | None:
        if newest is not None and newest.id != pile.id:
            first, what = newest, "mapped this face anew"
        elif pile.edits_version != seen:
            first, what = pile, "changed this map"
        else:
            return None
        return EditConflict(
            f"{self._first(first.changed_by)} {what} on {first.changed_at:%Y-%m-%d at %H:%M} UTC, after you opened it. "
            f"{tail}",
            changed_by=first.changed_by,
            changed_at=first.changed_at.isoformat(),
        )

    def _newest_inspection(self, session: Session, survey_id: int) -> m.InspectionRow | None:
        query = select(m.InspectionRow).where(m.InspectionRow.survey_id == survey_id)
        return session.scalars(query.order_by(m.InspectionRow.id.desc()).limit(1)).one_or_none()

    def _copy_layers(self, session: Session, source: m.InspectionRow, target: m.InspectionRow) -> None:
        """The applied layers of one inspection over another one, in their order."""
        query = select(m.MapEditRow).where(
            m.MapEditRow.inspection_id == source.id, m.MapEditRow.state == "applied"
        )
        for layer, row in enumerate(session.scalars(query.order_by(m.MapEditRow.layer)).all(), start=1):
            copied = (
                "action", "class_code", "shape_json", "reason", "state", "accepted_by", "created_at", "created_by",
            )  # fmt: skip
            session.add(
                m.MapEditRow(
                    inspection_id=target.id,
                    layer=layer,
                    seen_version=layer - 1,
                    changed_by=self.who,
                    **{name: getattr(row, name) for name in copied},
                )
            )
            target.edits_version = layer
        session.flush()
