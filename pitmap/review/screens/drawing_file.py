"""Drawing from a file: SVG, DXF or JSON; what the layers of a DXF mean, to be set and saved."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from ...drawing import (
    LAYER_ROLES,
    Drawing,
    dxf_layers,
    import_dxf,
    load_layers,
    load_with_notes,
    save_layers,
)
from ...drawing.beside import Beside, read_beside
from ...errors import InputError
from ..guard import sentences
from ..plain_text import plain
from .drawing_figure import Marks, edit_picture, whole_plate

__all__ = ["file_tab"]

_MM = {"as the file says": None, "millimetres": 1.0, "inches": 25.4, "centimetres": 10.0}


def file_tab(keep: Callable[[Drawing], None], face_id: int) -> None:
    """What stands under "From a file".

    Parameters
    ----------
    keep : callable
        Takes the drawing when the person asks to keep it.
    face_id : int
    """
    uploads = st.file_uploader(
        "SVG, DXF or JSON; with it the TOML beside it, or a file of layers saved here before",
        type=["svg", "dxf", "toml", "json"],
        accept_multiple_files=True,
        key=f"drawing_files_{face_id}",
    )
    if not uploads:
        return
    with sentences(), tempfile.TemporaryDirectory() as folder:
        try:
            main = _stored(uploads, Path(folder))
            if main.suffix == ".dxf":
                _dxf(keep, main, face_id)
            else:
                _offer(keep, *load_with_notes(main), face_id)
        except InputError as error:
            # The person knows the file by its name, not by where it lies for the moment.
            raise InputError(str(error).replace(f"{folder}{os.sep}", "")) from error


def _stored(uploads: Sequence[Any], folder: Path) -> Path:
    """The uploaded files in a folder, all under the name of the drawing among them; where that lies."""
    main = next((one for one in uploads if not one.name.lower().endswith(".toml")), uploads[0])
    for one in uploads:
        path = folder / f"{Path(main.name).stem}{Path(one.name).suffix.lower()}"
        if path.exists():
            raise InputError(f"{one.name}: two files end in {path.suffix}; choose one of each")
        path.write_bytes(one.getvalue())
    return folder / f"{Path(main.name).stem}{Path(main.name).suffix.lower()}"


def _offer(keep: Callable[[Drawing], None], drawing: Drawing, notes: Sequence[str], face_id: int) -> None:
    for note in notes:
        st.caption(plain(note))
    st.image(edit_picture(drawing, whole_plate(drawing), Marks()), width="stretch", alt="The drawing")
    if st.button("Keep it", type="primary", key=f"keep_file_{face_id}"):
        keep(drawing)


def _dxf(keep: Callable[[Drawing], None], path: Path, face_id: int) -> None:
    toml = path.with_suffix(".toml")
    beside, roles = Beside(), {}
    if toml.exists():
        roles = load_layers(toml) if "pitmap layers" in toml.read_text("utf-8", "replace") else {}
        beside = replace(beside, roles=roles) if roles else read_beside(toml)
    digest = hashlib.sha256(path.read_bytes() + repr(sorted(roles.items())).encode()).hexdigest()[:12]
    unit = _MM[
        st.radio("Unit of the file", list(_MM), horizontal=True, key=f"dxf_unit_{face_id}") or next(iter(_MM))
    ]
    if unit is not None:
        beside = replace(beside, user_unit_mm=unit)
    layers = dxf_layers(path, beside=beside)
    st.write("Say what each layer means; a layer called *plate* holds the outline and all openings at once.")
    table = st.data_editor(
        pd.DataFrame([(name, n, role) for name, (role, n) in layers.items()], columns=["layer", "curves", "means"]),
        hide_index=True, width="stretch", disabled=["layer", "curves"], key=f"dxf_layers_{face_id}_{digest}",
        column_config={
            "means": st.column_config.SelectboxColumn(
                options=[*LAYER_ROLES, *(r for r, _ in layers.values() if r not in LAYER_ROLES)], required=True
            )
        },
    )  # fmt: skip
    chosen = dict(zip(table["layer"], table["means"]))
    saved = path.with_name("layers.toml")
    save_layers(chosen, saved)
    st.download_button(
        "Save what the layers mean", saved.read_bytes(), "layers.toml", key=f"dxf_save_{face_id}",
        help="Upload it with the next DXF, or give it to: pitmap drawing import --layers layers.toml",
    )  # fmt: skip
    found = import_dxf(path, beside=replace(beside, roles=chosen))
    _offer(keep, found.drawing, found.notes, face_id)
