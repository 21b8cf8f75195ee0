"""Files whose bytes are the trouble: other locales, comments and colours, cut off, corrupted."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import sound
import written
from bodies import ball_on_plate
from specimen import Specimen, kind
from written import Style

from blockout.mesh import Mesh

Rng = np.random.Generator

WRITERS: dict[str, tuple[str, Callable[[Mesh], bytes]]] = {
    "stl": ("stl", written.stl_binary),
    "stl text": ("stl", written.stl_text),
    "ply": ("ply", written.ply_binary),
    "ply big": ("ply", lambda mesh: written.ply_binary(mesh, big=True, coloured=True)),
    "ply text": ("ply", written.ply_text),
    "obj": ("obj", written.obj),
    "off": ("off", written.off),
    "3mf": ("3mf", written.three_mf),
    "gltf": ("gltf", written.gltf),
    "glb": ("glb", written.glb),
}
TEXT = {
    "stl": written.stl_text, "ply": written.ply_text, "obj": written.obj, "off": written.off,
}  # fmt: skip


def _body() -> Mesh:
    return ball_on_plate(around=16)[0]


def _one(rng: Rng) -> tuple[str, bytes]:
    """A good file of some format."""
    mesh = sound.body(rng) if rng.random() < 0.7 else sound.cast(rng)
    suffix, write = WRITERS[str(rng.choice(list(WRITERS)))]
    return suffix, write(mesh)


@kind("every format")
def _(rng: Rng) -> Specimen:
    suffix, write = WRITERS[str(rng.choice(list(WRITERS)))]
    mesh = _body()
    return Specimen(write(mesh), suffix, wanted="solid", mesh=mesh)


@kind("text in other locales")
def _(rng: Rng) -> Specimen:
    """Numbers as other countries' programs print them, and line ends of other systems."""
    suffix = str(rng.choice(list(TEXT)))
    digits = str.maketrans("0123456789", "٠١٢٣٤٥٦٧٨٩")
    numbers: list[tuple[Callable[[float], str], bool]] = [
        (lambda x: f"{x:.6f}".replace(".", ","), False),
        (lambda x: f"{1000 * x:,.3f}", False),
        (lambda x: f"{x:.6f}".translate(digits), False),
        (lambda x: f"{x:.6f}".replace("-", "\u2212"), False),
        (lambda x: f"{x:.9E}", True),
        (lambda x: f"{x:+.9f}", True),
        (lambda x: f"{x:.6f}".replace("e", "d"), True),
    ]
    number, plain = numbers[int(rng.integers(len(numbers)))]
    style = Style(
        eol=str(rng.choice(["\n", "\r\n", "\r"])),
        number=number,
        indent=str(rng.choice(["", "\t", "   "])),
    )
    mesh = _body()
    return Specimen(
        TEXT[suffix](mesh, style), suffix, wanted="solid" if plain else "refused", mesh=mesh
    )


@kind("text in other codings")
def _(rng: Rng) -> Specimen:
    suffix = str(rng.choice(list(TEXT)))
    text = TEXT[suffix](_body()).decode("utf-8")
    coding = str(rng.choice(["utf-8-sig", "utf-16", "utf-16-be", "utf-32", "cp037"]))
    return Specimen(text.encode(coding), suffix, mesh=_body())


@kind("comments and colours")
def _(rng: Rng) -> Specimen:
    mesh = _body()
    said = ["Kiefer für Prüfung", "шлем", "上顎", "solid ply OFF v 1 2 3", "x" * 3000, "", "\t#\t"]
    style = Style(
        eol=str(rng.choice(["\n", "\r\n"])),
        comments=[said[k] for k in rng.integers(0, len(said), 4)],
        coloured=bool(rng.random() < 0.6),
    )
    which = int(rng.integers(6))
    if which == 0:
        heads = [b"solid by some program", b"COLOR=\xff\xf0\x00\xffMATERIAL=", b"\xff" * 80, b"PK"]
        heads += [b"ply\n", b"v 1 2 3\n", b"OFF\n", b"glTF", b'{"asset"']
        head = heads[int(rng.integers(len(heads)))]
        data = written.stl_binary(mesh, header=head, attribute=int(rng.integers(65536)))
        # the first letters of another format speak for that format
        return Specimen(data, "stl", mesh=mesh)
    if which == 1:
        name = said[int(rng.integers(4))]
        return Specimen(written.stl_text(mesh, name=name), "stl", wanted="solid", mesh=mesh)
    suffix = ("ply", "obj", "off")[int(rng.integers(3))]
    return Specimen(TEXT[suffix](mesh, style), suffix, wanted="solid", mesh=mesh)


@kind("name of another format")
def _(rng: Rng) -> Specimen:
    _, data = _one(rng)
    return Specimen(data, str(rng.choice(["stl", "ply", "obj", "off", "3mf", "glb", "txt", ""])))


@kind("cut off")
def _(rng: Rng) -> Specimen:
    suffix, data = _one(rng)
    lost = int(rng.choice([1, 2, 3, 4, 49, 50, 51, int(rng.integers(1, len(data)))]))
    return Specimen(data[: len(data) - min(lost, len(data) - 1)], suffix)


@kind("more at the end")
def _(rng: Rng) -> Specimen:
    suffix, data = _one(rng)
    more = [b"\0" * 512, b"\n\n\n", data, data[:1000], rng.bytes(300)]
    return Specimen(data + more[int(rng.integers(5))], suffix)


@kind("corrupted bytes")
def _(rng: Rng) -> Specimen:
    suffix, data = _one(rng)
    changed = bytearray(data)
    for at in rng.integers(0, len(data), int(rng.integers(1, 30))):
        changed[at] ^= 1 << int(rng.integers(8))
    return Specimen(bytes(changed), suffix)


@kind("corrupted head")
def _(rng: Rng) -> Specimen:
    suffix, data = _one(rng)
    changed = bytearray(data)
    for at in rng.integers(0, min(len(data), 400), int(rng.integers(1, 6))):
        changed[at] = int(rng.integers(256))
    return Specimen(bytes(changed), suffix)


@kind("a block lost or zeroed")
def _(rng: Rng) -> Specimen:
    suffix, data = _one(rng)
    at, size = int(rng.integers(len(data))), int(rng.choice([1, 4, 50, 512, 4096]))
    middle = b"" if rng.random() < 0.5 else b"\0" * min(size, len(data) - at)
    return Specimen(data[:at] + middle + data[at + size :], suffix)


@kind("blocks in another order")
def _(rng: Rng) -> Specimen:
    suffix, data = _one(rng)
    size = 512
    blocks = [data[k : k + size] for k in range(0, len(data), size)]
    a, b = rng.integers(0, len(blocks), 2)
    blocks[a], blocks[b] = blocks[b], blocks[a]
    return Specimen(b"".join(blocks), suffix)


@kind("numbers that are none")
def _(rng: Rng) -> Specimen:
    suffix = str(rng.choice(["stl", "obj", "off"]))
    mesh = _body()
    words = ["nan", "inf", "-inf", "1e400", "1.#IND", "0x1p3", "--1", "1_0", "", "1e", "\u0661"]
    word = words[int(rng.integers(len(words)))]
    chance = rng.random(100_000) < 0.001
    chance[int(rng.integers(40))] = True
    calls = iter(chance)
    style = Style(number=lambda x: word if next(calls) else repr(x))
    return Specimen(TEXT[suffix](mesh, style), suffix, mesh=mesh)


@kind("random bytes")
def _(rng: Rng) -> Specimen:
    heads = [b"", b"solid ", b"ply\n", b"OFF\n", b"PK\x03\x04", b"glTF\2\0\0\0", b"{", b"v 1 2 3\n"]
    data = heads[int(rng.integers(len(heads)))] + rng.bytes(int(rng.integers(1, 5000)))
    suffix = str(rng.choice(["stl", "ply", "obj", "off", "3mf", "glb", "gltf"]))
    return Specimen(data, suffix, wanted="refused")


@kind("whole files of bytes that mean floats")
def _(rng: Rng) -> Specimen:
    """A binary STL of the right length whose numbers are any bit patterns."""
    count = int(rng.integers(1, 200))
    data = bytearray(written.stl_binary(Mesh(rng.normal(size=(3, 3)), [[0, 1, 2]] * count)))
    data[84:] = rng.bytes(50 * count)
    return Specimen(bytes(data), "stl")
