"""The command `bonewright`: reads the command line, runs one command, prints its answer.

Exit 0: done. 1: a person is needed, what could be made was made. 2: bad input, one sentence a problem on standard error.
3: a build was cut short.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import re
import sys
from collections.abc import Sequence
from difflib import get_close_matches
from importlib import import_module
from pathlib import Path
from typing import Any

from meshtools.answer import RUN_FAILED, Answer
from meshtools.errors import BonewrightError
from meshtools.geometry.threads import n_cores
from meshtools.run_job import FOR_LIBRARIES
from meshtools.settings_ready import ROUTES
from meshtools.visible import visible

MODULES = tuple(
    f"meshtools.commands_{name}"
    for name in ("batch", "hand_over", "file", "symmetry", "size", "lay", "assembly", "pose", "fixings", "received", "ready")
)  # fmt: skip
FILE_UNITS = ("mm", "cm", "m", "inch")


class CommandParser(argparse.ArgumentParser):
    """Reads the options of one command, and refuses by its own usage what it does not know."""

    def parse_known_args(self, args: Sequence[str] | None = None, namespace: Any = None) -> tuple[Any, list[str]]:  # type: ignore[override]
        """As the parser above wants it; nothing is left over."""
        options, unknown = super().parse_known_args(args, namespace)
        if unknown:
            near = get_close_matches(unknown[0], re.findall(r"--[a-z-]+", self.format_help()), 1)
            self.error(f"unrecognized arguments: {' '.join(unknown)}" + (f". Did you mean {near[0]}?" if near else ""))
        return options, unknown


def build_parser() -> argparse.ArgumentParser:
    """The whole command line, each command with the function that carries it out."""
    parser = argparse.ArgumentParser(prog="bonewright", description="From raw scans of an incomplete skeleton to a complete set of replica bones.")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND", parser_class=CommandParser)
    _add_batch_commands(commands)
    _add_file_commands(commands)
    return parser


Commands = "argparse._SubParsersAction[argparse.ArgumentParser]"


def _command(commands: Commands, name: str, meaning: str, function: str) -> argparse.ArgumentParser:  # type: ignore[valid-type]
    command: argparse.ArgumentParser = commands.add_parser(name, help=meaning, description=meaning)  # type: ignore[attr-defined]
    command.add_argument("--json", action="store_true", help="print one JSON object on standard output and nothing else")
    command.set_defaults(function=function)
    return command


def _add_batch_commands(commands: Commands) -> None:  # type: ignore[valid-type]
    new = _command(commands, "new", "make an empty batch with commented tables", "new_batch")
    new.add_argument("directory", type=Path, metavar="DIR")
    demo = _command(commands, "demo", "copy the invented demo batch into a folder", "demo_batch")
    demo.add_argument("directory", type=Path, metavar="DIR")
    table = {
        "intake": ("look at every scan: accept, or scan again and why; drafts rows for bones.csv", "intake"),
        "check": ("check all tables and say everything that is wrong", "check"),
        "plan": ("decide where every element comes from, and what to do next", "plan"),
        "build": ("make what is missing or changed", "build"),
        "status": ("say what is ready, what needs a person and what is a gap", "status"),
        "verify": ("read every result again and compare it with its record", "verify"),
        "received": ("hold lengths measured on finished parts against their job sheets, and propose the next shrink", "received"),
        "hand-over": ("freeze a signed part for a recipient", "hand_over"),
        "assembly": ("find the mirror plane of a skeleton from its placed median bones", "assembly"),
        "pose": ("write the skeleton of a target in its pose, with the gap in every joint", "pose"),
        "size": ("measure how much larger a target is than a donor, from scans of the bones that both have", "size"),
        "lay": ("lay the pieces of one broken bone together, and draft their rows for poses.csv", "lay"),
    }
    for name, (meaning, function) in table.items():
        command = _command(commands, name, meaning, function)
        command.add_argument("--batch", type=Path, default=Path(), metavar="DIR", help="folder of the batch (default: the current one)")
        if name == "build":
            command.add_argument("elements", nargs="*", metavar="ELEMENT", help="ELEMENT or TARGET/ELEMENT; all without")
            command.add_argument("--cores", type=int, default=n_cores(), metavar="N", help="jobs at a time, and threads of a job")
        if name == "hand-over":
            command.add_argument("part", metavar="TARGET/ELEMENT")
            command.add_argument("--to", required=True, metavar="WHO", help="name of the recipient")
        if name == "assembly":
            command.add_argument("frame", metavar="FRAME", help="a frame of poses.csv")
        if name == "pose":
            command.add_argument("target", metavar="TARGET", help="a target of config.yaml")
            command.add_argument("-o", dest="output", type=Path, required=True, metavar="OUT.glb|OUT.ply", help="result; a table goes beside it")
        if name == "size":
            command.add_argument("target", metavar="TARGET", help="a target of config.yaml")
            command.add_argument("individual", metavar="INDIVIDUAL", help="organismID of the donor")
        if name == "lay":
            command.add_argument("find", metavar="FIND", help="a find of bones.csv that others are a part_of")
            command.add_argument("--like", metavar="FIND", help="the whole bone to lay them on first (default: the best of its kind in the register)")


def _add_file_commands(commands: Commands) -> None:  # type: ignore[valid-type]
    clean = _file_command(commands, "clean", "clean one scan", "clean_file")
    clean.add_argument("--tolerance-mm", type=decimal, required=True, metavar="T", help="how far decimation may move the surface")
    reflect = _file_command(commands, "reflect", "reflect one surface across a plane", "reflect_file")
    reflect.add_argument("--normal", default="1,0,0", metavar="X,Y,Z", help="normal of the plane (default 1,0,0)")
    reflect.add_argument("--offset-mm", type=decimal, default=0.0, metavar="D", help="normal . x = D on the plane (default 0)")
    scale = _file_command(commands, "scale", "scale one surface about the origin", "scale_file")
    scale.add_argument("--factor", type=decimal, required=True, metavar="K")
    plane = _command(commands, "plane", "find the mirror plane of one bone", "find_plane")
    plane.add_argument("file", type=Path, metavar="FILE")
    plane.add_argument("--unit", required=True, choices=FILE_UNITS, help="unit of the file")
    plane.add_argument("--midline", nargs=3, metavar="X,Y,Z", help="three points on the midline, in mm, that the plane passes near")
    plane.add_argument("--left-right", metavar="X,Y,Z", help="rough direction from left to right")
    restore = _file_command(commands, "restore", "complete one bone from its other half or its counterpart", "restore_file")
    restore.add_argument("--normal", metavar="X,Y,Z", help="normal of the mirror plane, where it is known")
    restore.add_argument("--offset-mm", type=decimal, metavar="D", help="normal . x = D on that plane")
    restore.add_argument("--counterpart", type=Path, metavar="FILE", help="whole bone of the other side, in the same unit")
    retrodeform = _file_command(commands, "retrodeform", "take a shear or a bend out of one bone, by landmark pairs", "retrodeform_file")
    retrodeform.add_argument("--pairs", type=Path, required=True, metavar="PAIRS.csv", help="left and right landmarks, in the unit of the file")
    retrodeform.add_argument("--bend", action="store_true", help="a smooth uneven deformation; without it an even shear")
    bore = _file_command(commands, "bore", "cut a straight bore for a rod into one closed bone, where it leaves the most wall", "bore_file")
    bore.add_argument("--diameter-mm", type=decimal, required=True, metavar="D", help="diameter of the hole")
    bore.add_argument("--depth-mm", type=decimal, metavar="L", help="a blind bore, so deep; without it through the bone")
    bore.add_argument("--wall-mm", type=decimal, required=True, metavar="W", help="least wall about the hole")
    bore.add_argument("--from", dest="begins", metavar="END", help="the end it begins at (+x, -x, .. -z), or a point X,Y,Z at the skin, in mm")
    ready = _command(commands, "ready", "make the parts of one closed surface ready: solids, drawings, job sheet", "ready_file")
    ready.add_argument("route", choices=ROUTES, help="print, carve in foam (cnc), or mould")
    ready.add_argument("file", type=Path, metavar="FILE")
    ready.add_argument("--unit", required=True, choices=FILE_UNITS, help="unit of the file")
    ready.add_argument("-o", dest="output", type=Path, required=True, metavar="DIR", help="folder of the results, in mm")
    ready.add_argument("--config", type=Path, metavar="CONFIG.yaml", help="settings and machines; the defaults without")
    ready.add_argument("--machine", metavar="NAME", help="a machine of that file")
    compare = _command(commands, "compare", "measure how far two surfaces are apart, both ways", "compare_files")
    compare.add_argument("a", type=Path, metavar="A")
    compare.add_argument("b", type=Path, metavar="B")
    compare.add_argument("--unit", required=True, choices=FILE_UNITS, help="unit of both files, or of A")
    compare.add_argument("--unit-b", choices=FILE_UNITS, help="unit of B where it is another, such as mm for our own results")


def decimal(text: str) -> float:
    """A number with a decimal point. A comma is refused: whether 1,170 is a little more than one or a thousand is not to be guessed."""
    try:
        return float(text)
    except ValueError:
        if re.fullmatch(r"[+-]?\d+,\d+", text, re.ASCII):
            raise argparse.ArgumentTypeError(f"'{text}' has a decimal comma; write {text.replace(',', '.')}, with a point") from None
        raise argparse.ArgumentTypeError(f"'{text}' is not a number; write it as 1.17") from None


def _file_command(commands: Commands, name: str, meaning: str, function: str) -> argparse.ArgumentParser:  # type: ignore[valid-type]
    command = _command(commands, name, meaning, function)
    command.add_argument("file", type=Path, metavar="FILE")
    command.add_argument("--unit", required=True, choices=FILE_UNITS, help="unit of the file")
    command.add_argument("-o", dest="output", type=Path, required=True, metavar="OUT.ply", help="result, in mm")
    return command


def _joined_numbers(arguments: Sequence[str]) -> list[str]:
    """`--normal -1,0,0` as `--normal=-1,0,0`: what begins with a minus sign and a digit is a value, which the parser would take for an option."""
    joined: list[str] = []
    for argument in arguments:
        if joined and re.match(r"-[\d.]", argument) and re.fullmatch(r"--[a-z-]+", joined[-1]) and joined[-1] != "--midline":
            joined[-1] = f"{joined[-1]}={argument}"
        else:
            joined.append(argument)
    return joined


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    os.environ.update(FOR_LIBRARIES)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a name that is no UTF-8 is still told
    options = build_parser().parse_args(_joined_numbers(sys.argv[1:] if arguments is None else arguments))
    function = next(getattr(module, options.function) for module in map(import_module, MODULES) if hasattr(module, options.function))
    try:
        answer: Answer = function(options)
    except BonewrightError as error:
        print(visible(str(error), kept="\n"), file=sys.stderr)
        return 2
    except BrokenPipeError:
        return 0
    except OSError as error:
        reason = error.strerror or error
        print(visible(f"{error.filename or 'a file'}: {reason}; look at its place, its rights and the space left, then run again."), file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("Interrupted; what was finished stands, and the same command goes on from there.", file=sys.stderr)
        return RUN_FAILED
    text = json.dumps(answer.facts, sort_keys=True, ensure_ascii=False, indent=1) if options.json else visible("\n".join(answer.lines), kept="\n\t")
    try:
        print(text, flush=True)
    except BrokenPipeError:  # the reader has seen enough; what was to be made is made
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as error:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        print(f"The answer could not be printed ({error.strerror}); what was to be made is made.", file=sys.stderr)
        return 2
    return answer.exit_code


if __name__ == "__main__":
    sys.exit(main())
