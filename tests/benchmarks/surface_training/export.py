"""Turn a trained network into an ONNX file of real numbers, and prove that ONNX Runtime computes the same.

    python export.py TRAINED.pt [TRAINED.pt ...] OUT.onnx

Of several files, each trained on from the one before, the mean of their weights: it can read new pictures better
than any of them and costs no more (M. Wortsman et al., "Model soups: averaging weights of multiple fine-tuned
models improves accuracy without increasing inference time", 2022; cited from memory).
"""

from __future__ import annotations

import argparse

import numpy as np
import onnxruntime as ort
import torch
from network import N_KNOWN, N_PICTURE, SurfaceNet, export, fill


def load(paths: list[str]) -> SurfaceNet:
    """A trained network from the files that train.py wrote: the mean of their weights."""
    kept = [torch.load(path, map_location="cpu", weights_only=True) for path in paths]
    settings = {(tuple(k["settings"]["channels"]), int(k["settings"]["step"])) for k in kept}
    if len(settings) > 1:
        raise SystemExit(f"the files hold networks of different form: {sorted(settings)}")
    model = SurfaceNet(*settings.pop())
    weights = dict(kept[-1]["weights"])
    for name, last in weights.items():
        if last.dtype == torch.float16:
            # rounded as train.py rounds what it saves
            weights[name] = torch.stack([k["weights"][name].float() for k in kept]).mean(0).half().float()
    fill(model, weights)
    return model.eval()


def largest_difference(model: SurfaceNet, path: str) -> float:
    """Largest difference between torch and ONNX Runtime on random input."""
    rng, side = np.random.default_rng(1), 5 * model.multiple
    picture = rng.normal(0, 1, (1, N_PICTURE, side, side + model.multiple)).astype(np.float32)
    known = np.ones(
        (1, N_KNOWN, side // model.step, side // model.step + model.multiple // model.step), np.float32
    )
    said = ort.InferenceSession(path).run(None, {"picture": picture, "known": known})[0]
    with torch.no_grad():
        wanted = model(torch.from_numpy(picture), torch.from_numpy(known)).numpy()
    return float(np.abs(said - wanted).max())


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("trained", nargs="+")
    parser.add_argument("onnx")
    args = parser.parse_args()
    model = load(args.trained)
    export(model, args.onnx)
    print(
        f"{args.onnx}: ONNX Runtime differs from torch by {largest_difference(model, args.onnx):.2g} at most"
    )


if __name__ == "__main__":
    main()
