"""Write the file that ships: the network in whole numbers of 8 bits, a quarter the size and a third the time.

    python quantize.py surface_real.onnx OUT.onnx [--renders 12] [--seed 7021] [--photos FOLDER]

Needs the packages onnx and onnxruntime. What each convolution reads is looked at on tiles of renders of our own, of
a seed that nothing is judged by, and of photos laid out like the development photos. Weights become whole multiples
of one step per output channel, at most 64 of them, so that no sum overflows on processors without instructions for
it. They are rounded one input after the other, each taking up what the rounding of those before it changed in the
output (B. Hassibi, D. Stork, "Second order derivatives for network pruning: optimal brain surgeon", 1993; E. Frantar
et al., "GPTQ: accurate post-training quantization for generative pre-trained transformers", 2023; both cited from
memory). The first and the last convolutions stay real numbers: they cost next to nothing, and their rounding would
show most.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import cv2
import numpy as np
import onnx
import onnxruntime as ort
from numpy.typing import NDArray
from onnx import helper, numpy_helper
from onnxruntime.quantization import CalibrationDataReader, QuantFormat, QuantType, quantize_static

sys.path.insert(0, str(Path(__file__).parents[1]))
from surface_photos import TrueCase, rendered_cases, true_cases

from pitmap.classes import Stage
from pitmap.surface.inputs import model_inputs, network_knows

KEPT_REAL = (
    "/stem/Conv", "/known/Conv", "/Add", "/Relu", "/lines/from_picture/Conv", "/lines/Add_1", "/lines/Relu",
    "/head/Conv", "/lines/odds/Conv", "/Concat_4",
)  # fmt: skip
"""The first and the last convolutions, with what only adds or joins real numbers beside them."""
TILE, STEP = 480, 3
TILES_PER_PICTURE = 3
WEIGHT_MOST = 64
PLACES = 1200
"""Places of each tile at which what a convolution reads is taken."""
DAMPING = 0.01
"""Added to what inputs have in common, as a share of their mean square: keeps the system solvable."""

Tile = dict[str, NDArray[np.float32]]


class _Tiles(CalibrationDataReader):
    """Hands out what the network reads, tile by tile."""

    def __init__(self, tiles: list[Tile]) -> None:
        self._left = iter(tiles)

    def get_next(self) -> Tile | None:
        return next(self._left, None)


def tiles_of(case: TrueCase, rng: np.random.Generator) -> Iterator[Tile]:
    """Tiles about places of metal: inputs of the network by their names."""
    metal = case.metal & case.in_frame
    edge = cv2.distanceTransform(metal.astype(np.uint8), cv2.DIST_L2, 5) / np.float32(case.grid.px_per_mm)
    reference, known = network_knows(case.rgb, metal, Stage(case.stage), case.photo_px_per_mm)
    planes = np.empty((1, len(known), TILE // STEP, TILE // STEP), np.float32)
    planes[:] = known[:, None, None]
    rows, cols = np.nonzero(metal[TILE // 2 : -TILE // 2, TILE // 2 : -TILE // 2])
    for k in rng.choice(len(rows), TILES_PER_PICTURE):
        at = np.s_[rows[k] : rows[k] + TILE, cols[k] : cols[k] + TILE]
        picture = model_inputs(np.ascontiguousarray(case.rgb[at]), metal[at], edge[at], reference)
        yield {"picture": picture[None], "known": planes}


def whole_convolutions(model: onnx.ModelProto) -> list[onnx.NodeProto]:
    """The convolutions that are to compute in whole numbers."""
    return [n for n in model.graph.node if n.op_type == "Conv" and n.name not in KEPT_REAL]


def what_is_read(model: onnx.ModelProto, tiles: list[Tile]) -> dict[str, NDArray]:
    """Mean products (inputs, inputs) of what each convolution reads, by its name."""
    layers = whole_convolutions(model)
    names = sorted({n.input[0] for n in layers})
    told = onnx.ModelProto()
    told.CopyFrom(model)
    told.graph.output.extend(helper.make_tensor_value_info(n, onnx.TensorProto.FLOAT, None) for n in names)
    session = ort.InferenceSession(told.SerializeToString())
    total: dict[str, NDArray] = {}
    for k, tile in enumerate(tiles):
        read = dict(zip(names, session.run(names, tile), strict=True))
        for layer in layers:
            # of its own, so that what one part of the network draws changes nothing in another
            rng = np.random.default_rng([k, *layer.name.encode()])
            inputs = _under_the_kernel(read[layer.input[0]][0], layer, rng)
            products = inputs @ inputs.T / (inputs.shape[1] * len(tiles))
            total[layer.name] = total.get(layer.name, 0) + products.astype(np.float64)
    return total


def _under_the_kernel(x: NDArray[np.float32], layer: onnx.NodeProto, rng: np.random.Generator) -> NDArray:
    """What a convolution reads (channels * rows * columns, places) of x (channels, h, w) at some places."""
    said = {a.name: helper.get_attribute_value(a) for a in layer.attribute}
    side, apart = said["kernel_shape"][0], said.get("dilations", [1])[0]
    rim, (_, h, w) = apart * (side // 2), x.shape
    wide = np.pad(x, ((0, 0), (rim, rim), (rim, rim)))
    places = rng.choice(h * w, min(PLACES, h * w), replace=False)
    rows, cols = places // w, places % w
    shifts = [(i * apart, j * apart) for i in range(side) for j in range(side)]
    return np.stack([wide[:, rows + i, cols + j] for i, j in shifts], 1).reshape(-1, len(places))


def rounded(weights: NDArray[np.float32], products: NDArray[np.float64]) -> NDArray[np.float32]:
    """Weights (out, ...) as whole multiples of a step per channel that change the output as little as can be."""
    left = weights.reshape(len(weights), -1).astype(np.float64)
    channels, largest = np.arange(len(left)), np.abs(left).argmax(1)
    top = left[channels, largest]
    step = np.abs(top) / WEIGHT_MOST
    h = products.copy()
    h[np.diag_indices_from(h)] += DAMPING * np.diag(products).mean()
    upper = np.linalg.cholesky(np.linalg.inv(h)).T
    out = np.zeros_like(left)
    for k in range(left.shape[1]):
        out[:, k] = np.clip(np.round(left[:, k] / step), -WEIGHT_MOST, WEIGHT_MOST) * step
        left[:, k + 1 :] -= np.outer((left[:, k] - out[:, k]) / upper[k, k], upper[k, k + 1 :])
    # the largest weight gives the step, to whoever reads the file
    out[channels, largest] = top
    return out.reshape(weights.shape).astype(np.float32)


def quantize(real: Path, out: Path, tiles: list[Tile]) -> None:
    """Write `out`, which says in whole numbers what `real` says."""
    model = onnx.load(str(real))
    missing = set(KEPT_REAL) - {n.name for n in model.graph.node}
    if missing:
        raise SystemExit(f"{real}: has no {', '.join(sorted(missing))}; was it written by export.py?")
    products = what_is_read(model, tiles)
    value = {i.name: i for i in model.graph.initializer}
    for layer in whole_convolutions(model):
        kept = value[layer.input[1]]
        kept.CopyFrom(
            numpy_helper.from_array(rounded(numpy_helper.to_array(kept), products[layer.name]), kept.name)
        )
    with tempfile.TemporaryDirectory() as folder:
        ready = Path(folder) / "ready.onnx"
        onnx.save(model, str(ready))
        quantize_static(
            str(ready),
            str(out),
            _Tiles(tiles),
            quant_format=QuantFormat.QDQ,
            activation_type=QuantType.QUInt8,
            weight_type=QuantType.QInt8,
            per_channel=True,
            reduce_range=True,
            nodes_to_exclude=list(KEPT_REAL),
        )


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("real", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--renders", type=int, default=12)
    parser.add_argument("--seed", type=int, default=7021)
    parser.add_argument("--photos", type=Path)
    args = parser.parse_args()
    rng = np.random.default_rng(args.seed)
    cases = chain(rendered_cases(args.renders, args.seed), true_cases(args.photos) if args.photos else ())
    tiles = [tile for case in cases for tile in tiles_of(case, rng)]
    quantize(args.real, args.out, tiles)
    said = [
        [ort.InferenceSession(str(f)).run(None, tile)[0] for tile in tiles[::5]]
        for f in (args.real, args.out)
    ]
    apart = np.mean([np.abs(a - b).mean() for a, b in zip(*said, strict=True)])
    print(f"{args.out}: {args.out.stat().st_size / 1e6:.1f} MB, logits differ by {apart:.3f} in the mean")


if __name__ == "__main__":
    main()
