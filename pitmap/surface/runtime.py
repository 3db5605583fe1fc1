"""ONNX Runtime, told before it starts that it must count and report nothing.

Since 1.32 its Linux build makes a device id and a store of events in the user's cache folder when it is imported,
to be sent to its maker; :func:`onnxruntime.disable_telemetry_events` comes too late for that.
"""

from __future__ import annotations

import os
from pathlib import Path

os.environ["ORT_DISABLE_TELEMETRY"] = "1"

import onnxruntime as ort  # noqa: E402

ort.disable_telemetry_events()

__all__ = ["arena_given_back", "open_session", "ort"]


def open_session(model: str | Path) -> ort.InferenceSession:
    """A network's file, ready to run on the thread that asks; several may ask at a time."""
    options = ort.SessionOptions()
    options.log_severity_level = 3
    options.intra_op_num_threads = 1
    return ort.InferenceSession(str(model), options, providers=["CPUExecutionProvider"])


def arena_given_back() -> ort.RunOptions:
    """Options of a run after which its session keeps no more memory than it needs between runs."""
    options = ort.RunOptions()
    options.add_run_config_entry("memory.enable_memory_arena_shrinkage", "cpu:0")
    return options
