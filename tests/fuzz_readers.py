"""Fuzzing of everything that reads a file of a batch: each input is read or refused by an error of ours, in time and in little memory.

Usage: python tests/fuzz_readers.py SECONDS [TARGET ..]; `make fuzz SECONDS=60`. The seconds are for all targets together. Inputs are made
by atheris (coverage-guided) where it is installed, else by plain mutations with a fixed seed. What ends otherwise is written to
tests/hostile/TARGET-HASH.bin, where test_hostile_files.py reads it ever after. Exit 1: something was found.
"""

from __future__ import annotations

import contextlib
import hashlib
import importlib.util
import random
import resource
import signal
import struct
import subprocess
import sys
import tempfile
import time
import traceback
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
FOUND = HERE / "hostile"
LONGEST_S = 10
MOST_MB = 1000
MOST_BYTES = 1 << 16
EXTREMES = (b"-1", b"0", b"nan", b"inf", b"1e999", b"4294967295", b"2147483648", b"9" * 20, b"\0", b"\xff" * 4, b"\0\0\0\x80", b"\n", b"/", b'"')
sys.path[:0] = [str(HERE), str(HERE.parent)]


def glb_around(text: bytes) -> bytes:
    """A GLB whose description is this text, with the binary part of one triangle."""
    text += b" " * (-len(text) % 4)
    binary = struct.pack("<9f3I", 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 1, 2)
    head = struct.pack("<4sIIII", b"glTF", 2, 28 + len(text) + len(binary), len(text), 0x4E4F534A)
    return head + text + struct.pack("<II", len(binary), 0x004E4942) + binary


def png(width: int = 2, height: int = 2) -> bytes:
    """A small picture."""
    rows = (b"\0" + b"\1\2\3" * width) * height
    content = b"\x89PNG\r\n\x1a\n"
    for kind, part in ((b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)), (b"IDAT", zlib.compress(rows)), (b"IEND", b"")):
        content += struct.pack(">I", len(part)) + kind + part + struct.pack(">I", zlib.crc32(kind + part))
    return content


class Targets:
    """The readers by name. Each takes bytes and returns, or raises an error of ours; anything else is a find."""

    def __init__(self, folder: Path) -> None:
        from six_bones import make_six_bones_tables

        self.folder = folder
        self.batch = make_six_bones_tables(folder / "batch")
        self.tables = {path.name: path.read_bytes() for path in sorted((self.batch / "config").glob("*.csv"))}
        (folder / "skin.png").write_bytes(png())
        self.readers: dict[str, Callable[[bytes], Any]] = {
            **{kind: lambda content, kind=kind: self.scan(f"a.{kind}", content) for kind in ("stl", "ply", "obj", "off", "glb", "3mf")},
            "glb-json": lambda content: self.scan("a.glb", glb_around(content)),
            "3mf-model": self.model,
            "obj-materials": self.materials,
            "picture": self.picture,
            "config": self.config,
            "table": self.table,
        }

    def scan(self, name: str, content: bytes) -> None:
        """Read as a scan, and measure by the header."""
        from meshtools.files.read_scan import scan_from
        from meshtools.files.scan_size import estimated_peak_mb, scan_size

        (self.folder / name).write_bytes(content)
        assert estimated_peak_mb(scan_size(self.folder / name)) > 0
        scan_from(self.folder / name, content)

    def model(self, content: bytes) -> None:
        """Read as the model of a sound 3MF package."""
        from test_broken_scans import package

        self.scan("a.3mf", package(content))

    def materials(self, content: bytes) -> None:
        """Read as the material library of a textured triangle."""
        (self.folder / "a.mtl").write_bytes(content)
        self.scan("a.obj", b"mtllib a.mtl\nv 0 0 0\nv 1 0 0\nv 0 1 0\nvt 0 0\nvt .5 2\nusemtl bone\nf 1/1 2/2 3/1\n")

    def picture(self, content: bytes) -> None:
        """Unpack as a texture."""
        import numpy as np

        from meshtools.files.texture import TextureError, sample_picture, unpack_picture

        with contextlib.suppress(TextureError):
            sample_picture(unpack_picture(content), np.array([0.1, np.nan, 7.0]), np.array([-1.0, np.inf, 0.2]))

    def config(self, content: bytes) -> None:
        """Read as config.yaml of a batch."""
        self._load("config.yaml", content)

    def table(self, content: bytes) -> None:
        """Read as one of the tables of a batch; the first byte says which."""
        name = sorted(self.tables)[content[0] % len(self.tables)] if content else "bones.csv"
        self._load(name, content[1:])
        (self.batch / "config" / name).write_bytes(self.tables[name])

    def _load(self, name: str, content: bytes) -> None:
        from meshtools.errors import BonewrightError
        from meshtools.register import load_register

        (self.batch / "config" / name).write_bytes(content)
        try:
            load_register(self.batch)
        except BonewrightError as error:
            str(error).encode()

    def seeds(self, name: str) -> list[bytes]:
        """Sound inputs to start from."""
        from six_bones import CONFIG
        from test_broken_scans import BROKEN, glb, obj, off, ply, stl, stl_text, threemf

        binary = [ply(kind=f"binary_{order}_endian", body=struct.pack(f"{sign}9fB3i", 0, 0, 0, 1, 0, 0, 0, 1, 0, 3, 0, 1, 2))
                  for order, sign in (("little", "<"), ("big", ">"))]  # fmt: skip
        packages = [content for _, content, _ in BROKEN.values() if content.startswith(b"PK") and len(content) < 9000]
        sound = {
            "stl": [stl(), stl_text()], "ply": [ply(), *binary], "obj": [obj(), obj("f 1/1 2//2 -1/1/1\nvt 0 1\nusemtl a")], "off": [off()],
            "glb": [glb()], "3mf": [threemf()],
            "glb-json": [glb()[20:-56].rstrip()],
            "3mf-model": [model_of(threemf()), *(model_of(content) for content in packages)],
            "obj-materials": [b"newmtl bone\nKd 1 1 1\nmap_Kd skin.png\n"],
            "picture": [png(), *other_pictures()],
            "config": [CONFIG.encode(), (HERE.parent / "config" / "config.yaml").read_bytes()],
            "table": [bytes([number]) + content for number, content in enumerate(self.tables[name] for name in sorted(self.tables))],
        }  # fmt: skip
        return sound[name]

    def problem(self, name: str, content: bytes) -> str:
        """What went wrong with this input, as the innermost lines of the traceback; empty where it was read or refused."""
        from meshtools.errors import BonewrightError

        try:
            self.readers[name](content)
        except BonewrightError as error:
            return "" if is_sentence(str(error)) else f"no sentence: {error}"
        except Exception as error:  # noqa: BLE001 a find may be of any kind
            frames = [f"{Path(frame.filename).name}:{frame.lineno}" for frame in traceback.extract_tb(error.__traceback__)]
            return f"{type(error).__name__} at {' '.join(frames[-6:])}: {error}"[:400]
        return ""


def is_sentence(text: str) -> bool:
    """One line, printable, that names the file first and ends like a sentence."""
    return "\n" not in text and text.isprintable() and text.endswith((".", "?"))


def model_of(package: bytes) -> bytes:
    """The model part of a 3MF package."""
    import io
    import zipfile

    try:
        with zipfile.ZipFile(io.BytesIO(package)) as archive:
            return archive.read("3D/3dmodel.model")
    except (zipfile.BadZipFile, KeyError):
        return b"<model/>"


def other_pictures() -> list[bytes]:
    """Small pictures of the other formats."""
    import io

    from PIL import Image

    found = []
    for kind, mode in (("JPEG", "RGB"), ("TIFF", "RGBA"), ("BMP", "P"), ("TGA", "L"), ("WEBP", "RGB"), ("PNG", "I;16")):
        stream = io.BytesIO()
        Image.new(mode, (5, 3)).save(stream, kind)
        found.append(stream.getvalue())
    return found


class Finds:
    """Inputs that ended otherwise, each kind once."""

    def __init__(self, targets: Targets, name: str) -> None:
        self.targets, self.name = targets, name
        self.places: set[str] = set()
        self.n_inputs = 0

    def test(self, content: bytes) -> None:
        """Try one input and keep it where it is a find of a new kind."""
        self.n_inputs += 1
        problem = self.targets.problem(self.name, content)
        place = problem.partition(": ")[0]
        if problem and place not in self.places:
            self.places.add(place)
            self.keep(content, problem)

    def keep(self, content: bytes, problem: str) -> None:
        """Write the input where the tests find it."""
        FOUND.mkdir(exist_ok=True)
        path = FOUND / f"{self.name}-{hashlib.sha256(content).hexdigest()[:8]}.bin"
        path.write_bytes(content)
        print(f"{self.name}: {path.name}: {problem}", flush=True)


def mutations(seeds: list[bytes], rng: random.Random) -> Iterator[bytes]:
    """Endless changed copies: bytes flipped, pieces removed, doubled, moved, joined, numbers replaced by extreme ones."""
    pool = list(seeds)
    while True:
        content = bytearray(rng.choice(pool if rng.random() < 0.3 else seeds))
        for _ in range(rng.choice((1, 1, 2, 4, 8))):
            at = rng.randrange(len(content) + 1)
            end = min(len(content), at + rng.choice((1, 2, 4, 16, 64)))
            match rng.randrange(6):
                case 0 if at < len(content):
                    content[at] = rng.randrange(256)
                case 1:
                    del content[at:end]
                case 2:
                    content[at:at] = content[at:end] * rng.choice((1, 2, 50))
                case 3:
                    content[at:end] = rng.choice(EXTREMES)
                case 4:
                    other = rng.choice(pool)
                    content[at:end] = other[rng.randrange(len(other) + 1) :][:64]
                case _:
                    content[at:at] = rng.choice(EXTREMES)
        if len(pool) < 500:
            pool.append(bytes(content[:MOST_BYTES]))
        yield bytes(content[:MOST_BYTES])


def run_plain(finds: Finds, seconds: float) -> None:
    """Mutations with a fixed seed, without looking at what the code does."""
    seeds = finds.targets.seeds(finds.name)  # before the clock runs: what they are made with takes its time to load
    finds.targets.problem(finds.name, seeds[0])
    started = time.monotonic()
    current = b""

    def too_slow(*_: Any) -> None:
        finds.keep(current, f"took more than {LONGEST_S} s")
        raise SystemExit(1)

    signal.signal(signal.SIGALRM, too_slow)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    for current in mutations(seeds, random.Random(finds.name)):
        if time.monotonic() - started > seconds:
            return
        signal.alarm(LONGEST_S)
        finds.test(current)
        signal.alarm(0)
        now_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        if now_mb > max(peak_mb, MOST_MB):
            finds.keep(current, f"took {now_mb:.0f} MB")
            peak_mb = now_mb


def run_guided(finds: Finds, seconds: float, folder: Path) -> None:
    """atheris, which keeps inputs that reach new lines."""
    import atheris

    corpus = folder / "corpus"
    corpus.mkdir()
    for number, content in enumerate(finds.targets.seeds(finds.name)):
        (corpus / str(number)).write_bytes(content)
    FOUND.mkdir(exist_ok=True)
    limits = {"max_total_time": round(seconds), "timeout": LONGEST_S, "rss_limit_mb": MOST_MB, "max_len": MOST_BYTES}
    options = [f"-{key}={value}" for key, value in limits.items()]
    options += ["-seed=1", "-verbosity=0", "-print_final_stats=1", f"-artifact_prefix={FOUND}/{finds.name}-"]
    atheris.Setup([sys.argv[0], *options, str(corpus)], finds.test)
    atheris.Fuzz()  # ends the process


def fuzz_one(name: str, seconds: float, folder: Path) -> None:
    """Fuzz one reader in this process."""
    has_atheris = importlib.util.find_spec("atheris") is not None
    if has_atheris:
        import atheris

        with atheris.instrument_imports(include=["meshtools"], enable_loader_override=False):
            import meshtools.files.read_scan
            import meshtools.files.scan_size
            import meshtools.register  # noqa: F401
    finds = Finds(Targets(folder), name)
    print(f"{name}: {'coverage-guided' if has_atheris else 'plain mutations'}, {seconds:.0f} s", flush=True)
    if has_atheris:
        run_guided(finds, seconds, folder)
    run_plain(finds, seconds)
    print(f"stat::number_of_executed_units: {finds.n_inputs}", flush=True)


def fuzz_in_child(name: str, seconds: float) -> int:
    """Fuzz one reader in a process of its own, and print how many inputs it took or how it ended. Returns its exit code."""
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        command = [sys.executable, __file__, "--one", name, str(seconds), folder]
        done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", errors="replace", check=False)
    lines = (done.stdout + done.stderr).splitlines()
    told = [line for line in lines if line.startswith(f"{name}: ")]
    counts = [line.split()[-1] for line in lines if line.startswith("stat::number_of_executed_units")]
    print(*told, f"{name}: {counts[0] if counts else 'an unknown number of'} inputs, exit code {done.returncode}", sep="\n", flush=True)
    if done.returncode:
        print(*lines[-15:], sep="\n", flush=True)
    return done.returncode


def main(arguments: list[str]) -> int:
    """Fuzz all readers, or those named, one after the other, each in a process of its own."""
    if arguments[:1] == ["--one"]:
        fuzz_one(arguments[1], float(arguments[2]), Path(arguments[3]))
        return 0
    seconds, names = float(arguments[0]) if arguments else 60.0, arguments[1:]
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        names = names or list(Targets(Path(folder)).readers)
    before = set(FOUND.glob("*"))
    codes = [fuzz_in_child(name, seconds / len(names)) for name in names]
    found = sorted(path.name for path in set(FOUND.glob("*")) - before)
    print(f"{len(names)} readers, {len(found)} finds" + (f" in tests/hostile/: {', '.join(found)}" if found else ""))
    return int(bool(found) or any(codes))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
