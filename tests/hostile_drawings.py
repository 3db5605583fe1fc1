"""Makers of broken and hostile drawing files, seeded, for test_drawing_hostile.py."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

Rng = np.random.Generator
OUTLINE = '<rect id="outline" width="100" height="80"/>'
HEAD = 'width="100mm" height="80mm" viewBox="0 0 100 80"'
XLINK = 'xmlns:xlink="http://www.w3.org/1999/xlink"'


def svg(body: str, head: str = HEAD, before: str = "") -> str:
    return f'{before}<svg xmlns="http://www.w3.org/2000/svg" {XLINK} {head}>{body}</svg>'


def path(d: str, name: str = "bolt_1") -> str:
    return svg(OUTLINE + f'<path id="{name}" d="{d}"/>')


def ring(rng: Rng, n: int) -> str:
    a = np.sort(rng.uniform(0, 2 * np.pi, n))
    r = rng.uniform(5, 20, n)
    return "M" + " L".join(f"{50 + x:.3f},{40 + y:.3f}" for x, y in zip(r * np.cos(a), r * np.sin(a)))


def bomb(rng: Rng) -> str:
    depth, width = int(rng.integers(6, 12)), int(rng.integers(5, 12))
    entities = '<!ENTITY a0 "M0 0">' + "".join(
        f'<!ENTITY a{i} "{f"&a{i - 1};" * width}">' for i in range(1, depth)
    )
    return svg(f'<path id="outline" d="&a{depth - 1};"/>', before=f"<!DOCTYPE svg [{entities}]>")


def outside_entity(rng: Rng, secret: str) -> str:
    kind = ("SYSTEM", 'PUBLIC "x"')[int(rng.integers(2))]
    return svg(
        "<title>&x;</title>" + OUTLINE, before=f'<!DOCTYPE svg [<!ENTITY x {kind} "file://{secret}">]>'
    )


def reference(rng: Rng, secret: str) -> str:
    target = (
        "http://192.0.2.1/a.svg",
        "https://example.invalid/x",
        f"file://{secret}",
        secret,
        "//192.0.2.1/b",
    )
    body = (
        '<image xlink:href="{}" width="5" height="5"/>',
        '<use xlink:href="{}#a"/>',
        '<a href="{}"><circle id="bolt_1" r="3"/></a>',
        "<style>@import url({});</style>",
        '<rect id="bolt_1" width="3" height="3" style="fill:url({})"/>',
        '<linearGradient id="g" xlink:href="{}"/>',
        '<style>.a {{ background: url("{}") }}</style>',
    )
    return svg(OUTLINE + rng.choice(body).format(rng.choice(target)))


def script(rng: Rng, secret: str) -> str:
    body = (
        "<script>fetch('http://192.0.2.1/')</script>",
        '<circle id="bolt_1" r="2" onload="alert(1)"/>',
        '<g onclick="steal()"><circle r="1"/></g>',
        '<foreignObject><iframe src="http://192.0.2.1/"/></foreignObject>',
        '<animate attributeName="href" to="javascript:alert(1)"/>',
        '<set attributeName="onmouseover" to="alert(1)"/>',
        '<a xlink:href="javascript:alert(1)"><circle r="1"/></a>',
    )
    return svg(OUTLINE + rng.choice(body))


def giant(rng: Rng) -> str:
    number = rng.choice(["1e30", "-9e99", "1e309", "99999999999", "1e-400L1e400"])
    shapes = (
        f'<path id="bolt_1" d="M1 1 L{number} 5 L4 4 Z"/>',
        f'<circle id="bolt_1" cx="{number}" cy="5" r="3"/>',
        f'<circle id="bolt_1" cx="5" cy="5" r="{number}"/>',
        f'<polygon id="bolt_1" points="1,1 {number},3 4,4"/>',
        f'<g transform="scale({number})"><circle id="bolt_1" r="3"/></g>',
        f'<path id="bolt_1" d="M1 1 A{number} {number} 0 0 1 5 5 Z"/>',
    )
    return svg(OUTLINE + rng.choice(shapes))


def scaled_away(rng: Rng) -> str:
    n = int(rng.integers(20, 60))
    return svg(OUTLINE + '<g transform="scale(1e6)">' * n + '<circle id="bolt_1" r="3"/>' + "</g>" * n)


def deep(rng: Rng) -> str:
    n = int(rng.integers(500, 50_000))
    return svg(OUTLINE + "<g>" * n + '<circle id="bolt_1" r="3"/>' + "</g>" * n)


def units(rng: Rng) -> str:
    heads = (
        "", 'width="100" height="80"', 'width="100%" height="100%" viewBox="0 0 100 80"',
        'width="100px" height="80px" viewBox="0 0 100 80"', 'width="100furlong" height="80furlong"',
        'width="100mm" height="800mm" viewBox="0 0 100 80"', 'width="nan" height="nan" viewBox="0 0 1 1"',
        'width="100in" height="80in" viewBox="0 0 1 0.8"', 'width="1mm" height="0.8mm" viewBox="0 0 100 80"',
        'width="100mm" height="80mm" viewBox="0 0 0 0"', 'width="100mm" height="80mm" viewBox="0 0 100"',
        'width="1e30mm" height="1e30mm" viewBox="0 0 1e30 1e30"',
        'width="-5mm" height="-4mm" viewBox="0 0 5 4"',
    )  # fmt: skip
    return svg(OUTLINE, head=str(rng.choice(heads)))


def nonsense(rng: Rng) -> str:
    bad = (
        "M1 1 L2", "M", "Q 1 2", "M1 1 X 4 4 Z", "M1 1 A5 5 0 7 1 9 9 Z", "1 2 3 4", "M1 1 L 2 é Z",
        "M1 1 L2..3 4 Z", "M1,1 L2,2 Z", "M5 5 Z", "M3 3 L3 3 L3 3 Z",
    )  # fmt: skip
    return path(str(rng.choice(bad)))


def crowd(rng: Rng) -> str:
    kind = int(rng.integers(4))
    if kind == 0:
        return path("M0 0" + "h1v1" * int(rng.integers(150_000, 300_000)) + "Z")
    if kind == 1:
        return path("".join(f"M{i % 90} {i // 90 % 70}h.4v.4z" for i in range(int(rng.integers(600, 4000)))))
    if kind == 2:
        n = int(rng.integers(600, 20_000))
        return svg(
            OUTLINE + "".join(f'<circle id="bolt_{i}" cx="{i % 90}" cy="5" r=".1"/>' for i in range(n))
        )
    return svg(OUTLINE + "<g/>" * int(rng.integers(60_000, 120_000)))


def structure(rng: Rng) -> str:
    bodies = (
        "", OUTLINE * 2, '<rect id="plate thing" width="9" height="9"/>',
        "<svg><circle r='3'/></svg>" + OUTLINE,
        OUTLINE + '<circle id="bolt_1" r="3"/>' * 2, OUTLINE + '<circle id="x" data-kind="window" r="3"/>',
        OUTLINE + '<circle data-role="zone" data-zone="roof" r="3"/>',
        OUTLINE + '<path data-role="band" d="M0 0h9v9z"/>',
        '<path id="outline" d="M0 0h99v79h-99z M200 0h50v50h-50z"/>', OUTLINE + '<g transform="spin(9)"/>',
        '<line id="outline" x1="0" y1="0" x2="50" y2="50"/>',
        OUTLINE + '<rect id="bolt_1" width="-3" height="4"/>',
        '<path id="outline" d="M0 0h99v79h-99z M50 40h80v10h-80z"/>',
    )  # fmt: skip
    return svg(str(rng.choice(np.array(bodies, dtype=object))))


def cut_short(rng: Rng) -> str:
    whole = path(ring(rng, 30) + "Z")
    return whole[: int(rng.integers(1, len(whole) - 1))]


def garbage(rng: Rng) -> bytes:
    return rng.integers(0, 256, int(rng.integers(0, 3000)), dtype=np.uint8).tobytes()


def open_ring(rng: Rng) -> str:
    return path(ring(rng, int(rng.integers(4, 30))))


def crossing(rng: Rng) -> str:
    a = np.arange(5) * 4 * np.pi / 5 + rng.uniform(0, 6)
    return path(
        "M" + " L".join(f"{50 + 9 * x:.3f},{40 + 9 * y:.3f}" for x, y in zip(np.cos(a), np.sin(a))) + "Z"
    )


def other_charset(rng: Rng) -> bytes:
    name = rng.choice(["utf-77", "x-none", "rot13", "zip"])
    return f'<?xml version="1.0" encoding="{name}"?>{svg(OUTLINE)}'.encode()


SVG_MAKERS: tuple[Callable[..., str | bytes], ...] = (
    open_ring, crossing, bomb, outside_entity, reference, script, giant, scaled_away, deep, units, nonsense,
    crowd, structure, cut_short, garbage, other_charset,
)  # fmt: skip


def dxf(*entities: str, unit: str = "4", blocks: str = "") -> str:
    """A minimal DXF with the given entities (group codes and values, one a line)."""
    header = f"0\nSECTION\n2\nHEADER\n9\n$ACADVER\n1\nAC1009\n9\n$INSUNITS\n70\n{unit}\n0\nENDSEC\n"
    if blocks:
        blocks = f"0\nSECTION\n2\nBLOCKS\n{blocks}0\nENDSEC\n"
    return f"{header}{blocks}0\nSECTION\n2\nENTITIES\n{''.join(entities)}0\nENDSEC\n0\nEOF\n"


def line(x0: float | str, y0: float | str, x1: float | str, y1: float | str, layer: str = "outline") -> str:
    return f"0\nLINE\n8\n{layer}\n10\n{x0}\n20\n{y0}\n30\n0.0\n11\n{x1}\n21\n{y1}\n31\n0.0\n"


def circle(x: float | str, y: float | str, r: float | str, layer: str = "bolt") -> str:
    return f"0\nCIRCLE\n8\n{layer}\n10\n{x}\n20\n{y}\n30\n0.0\n40\n{r}\n"


def frame(scale: float = 1.0) -> str:
    w, h = 100 * scale, 80 * scale
    return line(0, 0, w, 0) + line(w, 0, w, h) + line(w, h, 0, h) + line(0, h, 0, 0)


def block(name: str, content: str, flags: int = 0, file: str = "") -> str:
    head = f"0\nBLOCK\n8\n0\n2\n{name}\n70\n{flags}\n10\n0.0\n20\n0.0\n30\n0.0\n3\n{name}\n1\n{file}\n"
    return f"{head}{content}0\nENDBLK\n8\n0\n"


def insert(name: str, more: str = "") -> str:
    return f"0\nINSERT\n8\n0\n2\n{name}\n10\n0.0\n20\n0.0\n30\n0.0\n{more}"


def dxf_open(rng: Rng) -> str:
    gap = rng.uniform(0.2, 30)
    return dxf(line(0, 0, 100, 0), line(100, 0, 100, 80), line(100, 80, 0, 80), line(0, 80, 0, gap))


def dxf_crossing(rng: Rng) -> str:
    x = rng.uniform(60, 140)
    return dxf(line(0, 0, x, 80), line(x, 80, 100, 0), line(100, 0, 0, 80), line(0, 80, 0, 0))


def dxf_units(rng: Rng) -> str:
    unit, scale = [
        ("0", 1),
        ("18", 1),
        ("2", 1),
        ("6", 1),
        ("1", 100),
        ("13", 1),
        ("99", 1),
        ("-3", 1),
        ("x", 1),
    ][int(rng.integers(9))]
    return dxf(frame(scale), unit=unit)


def dxf_giant(rng: Rng) -> str:
    number = str(rng.choice(["1e30", "-1e300", "nan", "inf", "1e309", "123456789"]))
    return dxf(
        frame(),
        (circle(number, 5, 3), circle(5, 5, number), line(1, 1, number, 3, "bolt"))[int(rng.integers(3))],
    )


def dxf_small(rng: Rng) -> str:
    return dxf(frame(), circle(5, 5, str(rng.choice(["0", "-3", "1e-9"]))))


def dxf_xref(rng: Rng, secret: str) -> str:
    flags = int(rng.choice([4, 12, 36]))
    return dxf(frame(), insert("OTHER"), blocks=block("OTHER", "", flags, secret))


def dxf_block_bomb(rng: Rng) -> str:
    depth, width = int(rng.integers(4, 12)), int(rng.integers(8, 20))
    made = block("B0", circle(5, 5, 1))
    for i in range(1, depth):
        made += block(f"B{i}", insert(f"B{i - 1}") * width)
    return dxf(frame(), insert(f"B{depth - 1}"), blocks=made)


def dxf_block_itself(rng: Rng) -> str:
    if rng.random() < 0.5:
        return dxf(frame(), insert("A"), blocks=block("A", insert("A") + circle(1, 1, 1)))
    return dxf(frame(), insert("A"), blocks=block("A", insert("B")) + block("B", insert("A") * 2))


def dxf_rows(rng: Rng) -> str:
    n = int(rng.integers(100, 30_000))
    return dxf(
        frame(), insert("A", f"70\n{n}\n71\n{n}\n44\n1.0\n45\n1.0\n"), blocks=block("A", circle(1, 1, 0.2))
    )


def dxf_layers(rng: Rng) -> str:
    return dxf(line(0, 0, 100, 0, "sheet"), circle(5, 5, 2, "dimensions"))


def dxf_twice(rng: Rng) -> str:
    return dxf(frame(), circle(500, 500, rng.uniform(20, 60), "outline"))


def dxf_cut(rng: Rng) -> str:
    whole = dxf(frame(), circle(50, 40, 5))
    return whole[: int(rng.integers(20, len(whole) // 2))]


def dxf_words(rng: Rng) -> str:
    whole = dxf(frame(), circle(50, 40, 5)).replace(
        "100", str(rng.choice(["ten", "1,5", "--4", "0x10", "1e"]))
    )
    return whole


def dxf_crowd(rng: Rng) -> str:
    n = int(rng.integers(10_500, 11_500))
    return dxf(frame(), *(circle(i % 90, i % 70, 0.1) for i in range(n)))


def dxf_steep(rng: Rng) -> str:
    z = rng.uniform(1, 50)
    return dxf(frame(), line(1, 1, 9, 9, "port").replace("31\n0.0", f"31\n{z}"))


def dxf_empty(rng: Rng) -> str:
    return str(rng.choice(["", "0\nEOF\n", dxf(), "999\nhello\n0\nEOF\n"]))


DXF_MAKERS: tuple[Callable[..., str | bytes], ...] = (
    dxf_open, dxf_crossing, dxf_units, dxf_giant, dxf_small, dxf_xref, dxf_block_bomb, dxf_block_itself,
    dxf_rows, dxf_layers, dxf_twice, dxf_cut, dxf_words, dxf_crowd, dxf_steep, dxf_empty, garbage,
)  # fmt: skip


def hostile_file(seed: int, secret: str) -> tuple[str, str | bytes]:
    """Ending and content of the broken file of a seed: even ones SVG, odd ones DXF, kinds in turn."""
    rng = np.random.default_rng(seed)
    makers = DXF_MAKERS if seed % 2 else SVG_MAKERS
    maker = makers[seed // 2 % len(makers)]
    takes_secret = maker in (outside_entity, reference, script, dxf_xref)
    return (".dxf" if seed % 2 else ".svg"), maker(rng, secret) if takes_secret else maker(rng)
