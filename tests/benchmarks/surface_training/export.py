"""Turn a trained network into the ONNX file that OpenCV reads, and prove that OpenCV computes the same.

python export.py TRAINED.pt OUT.onnx
"""

from __future__ import annotations

import argparse

import cv2
import numpy as np
import torch
from network import N_KNOWN, N_PICTURE, SurfaceNet, export


def load(path: str) -> SurfaceNet:
    """A trained network from the file that train.py wrote."""
    saved = torch.load(path, map_location="cpu", weights_only=True)
    model = SurfaceNet(tuple(saved["settings"]["channels"]), int(saved["settings"]["step"]))
    model.load_state_dict(
        {k: v.float() if v.dtype == torch.float16 else v for k, v in saved["weights"].items()}
    )
    return model.eval()


def largest_difference(model: SurfaceNet, path: str) -> float:
    """Largest difference between torch and OpenCV on random input."""
    rng, side = np.random.default_rng(1), 5 * model.multiple
    picture = rng.normal(0, 1, (1, N_PICTURE, side, side + model.multiple)).astype(np.float32)
    known = np.ones(
        (1, N_KNOWN, side // model.step, side // model.step + model.multiple // model.step), np.float32
    )
    net = cv2.dnn.readNetFromONNX(path)
    net.setInput(picture, "picture")
    net.setInput(known, "known")
    with torch.no_grad():
        wanted = model(torch.from_numpy(picture), torch.from_numpy(known)).numpy()
    return float(np.abs(net.forward() - wanted).max())


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("trained")
    parser.add_argument("onnx")
    args = parser.parse_args()
    model = load(args.trained)
    export(model, args.onnx)
    print(f"{args.onnx}: OpenCV differs from torch by {largest_difference(model, args.onnx):.2g} at most")


if __name__ == "__main__":
    main()
