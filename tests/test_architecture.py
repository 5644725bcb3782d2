"""The package keeps to its own plan: who imports whom, who touches files, who prints."""

import ast
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

import outcomes

PACKAGE = Path(outcomes.__file__).parent
TOUCH_FILES = ("records", "report", "cli")
COMMANDS = (
    "template", "check", "join", "fit", "retire", "compare", "watch", "plan", "share", "pool",
    "brief", "figure", "demo",
)  # fmt: skip

FILE_MODULES = {"glob", "io.open", "os", "pathlib", "shutil", "tempfile"}
FILE_MODULES |= {"http", "requests", "socket", "subprocess", "urllib"}
FILE_CALLS = {"open", "fromfile", "genfromtxt", "loadtxt", "memmap", "save", "savetxt", "savez"}
FILE_CALLS |= {"read_bytes", "read_text", "write_bytes", "write_text", "mkdir", "unlink", "tofile"}
FILE_CALLS |= {"savefig", "to_csv", "to_excel", "to_feather", "to_json", "to_parquet", "to_pickle"}
FILE_CALLS |= {"read_csv", "read_excel", "read_json", "read_parquet", "read_pickle", "read_table"}
# What makes a buffer in memory, where bytes may go without any file.
BUFFERS = {"BytesIO", "StringIO"}


def _name(call: ast.Call) -> str:
    """Last part of what is called: ``open`` in ``open(…)`` and in ``path.open(…)``."""
    if isinstance(call.func, ast.Attribute):
        return call.func.attr
    return call.func.id if isinstance(call.func, ast.Name) else ""


def _imported(tree: ast.AST, module: str, is_package: bool) -> Iterator[tuple[int, str]]:
    """Line and full name of every import anywhere in a module, by statement or by name."""
    package = module if is_package else module.rpartition(".")[0]
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            parts = package.split(".")
            base = ".".join(parts[: len(parts) - node.level + 1]) if node.level else ""
            home = ".".join(part for part in (base, node.module) if part)
            yield from ((node.lineno, f"{home}.{alias.name}") for alias in node.names)
        elif isinstance(node, ast.Call) and _name(node) in ("import_module", "__import__"):
            for part in node.args[:1]:
                if isinstance(part, ast.JoinedStr):
                    part = part.values[0]
                if isinstance(part, ast.Constant) and isinstance(part.value, str):
                    yield node.lineno, part.value.rstrip(".")


def _room(name: str) -> str:
    """Room of a module of the package: its stage, ``errors``, ``settings``, ``simulate`` or ''.

    A public function imported from the package itself belongs to its home.
    """
    parts = name.split(".")
    if parts[1:] == ["__main__"]:
        return "cli"
    if len(parts) > 1 and parts[1] in outcomes._HOMES:
        parts = outcomes._HOMES[parts[1]].split(".")
    return parts[1] if len(parts) > 1 and not parts[1].startswith("__") else ""


def _into_memory(call: ast.Call, buffers: set[str]) -> bool:
    """Whether what is written or read goes to a buffer, or comes back as text."""
    first = call.args[0] if call.args else None
    if first is None:
        return _name(call).startswith("to_") and not any(
            k.arg in ("path", "path_or_buf", "excel_writer") for k in call.keywords
        )
    if isinstance(first, ast.Call):
        return _name(first) in BUFFERS
    return isinstance(first, ast.Name) and first.id in buffers


def file_faults(source: str, module: str) -> list[str]:
    """Ways to a file or to the network in a room that has none, one line each."""
    if _room(module) in TOUCH_FILES:
        return []
    tree = ast.parse(source)
    buffers = {
        target.id
        for node in ast.walk(tree)
        if isinstance(node, ast.Assign)
        and isinstance(node.value, ast.Call)
        and _name(node.value) in BUFFERS
        for target in node.targets
        if isinstance(target, ast.Name)
    }
    faults = [
        f"{module}:{line} imports {name}"
        for line, name in _imported(tree, module, is_package=False)
        if name in FILE_MODULES or name.partition(".")[0] in FILE_MODULES
    ]
    faults += [
        f"{module}:{node.lineno} calls {_name(node)}"
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and _name(node) in FILE_CALLS
        and not _into_memory(node, buffers)
    ]
    return faults


def print_faults(source: str, module: str) -> list[str]:
    """Words sent to the terminal by anything but the command line, one line each."""
    faults = []
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        name = _name(node)
        holder = node.func.value if isinstance(node.func, ast.Attribute) else None
        if name in ("print", "pprint") or (name in ("echo", "secho") and _room(module) != "cli"):
            faults.append(f"{module}:{node.lineno} calls {name}")
        elif (
            name in ("write", "writelines")
            and isinstance(holder, ast.Attribute)
            and holder.attr in ("stdout", "stderr")
        ):
            faults.append(f"{module}:{node.lineno} writes to {holder.attr}")
    return faults


def _modules() -> list[tuple[str, Path]]:
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
        found.append((".".join(part for part in parts if part != "__init__"), path))
    return found


# The map at the top names every public function, from whatever room.
MODULES = [(module, path) for module, path in _modules() if module != "outcomes"]


def test_data_goes_one_way() -> None:
    # The rules stand in pyproject.toml; import-linter reads the imports.
    done = subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-cache"],
        cwd=PACKAGE.parent,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_room_has_its_layer() -> None:
    with (PACKAGE.parent / "pyproject.toml").open("rb") as file:
        rules = tomllib.load(file)["tool"]["importlinter"]["contracts"]
    layers = next(rule["layers"] for rule in rules if rule["containers"] == ["outcomes"])
    named = {name.strip("() ") for layer in layers for name in layer.split(":")}
    rooms = {_room(module) for module, _ in MODULES if module != "outcomes.__main__"}
    assert named == rooms


@pytest.mark.parametrize(("module", "path"), MODULES, ids=[module for module, _ in MODULES])
def test_files_are_touched_in_three_rooms(module: str, path: Path) -> None:
    assert file_faults(path.read_text(encoding="utf-8"), module) == []


@pytest.mark.parametrize(("module", "path"), MODULES, ids=[module for module, _ in MODULES])
def test_only_the_command_line_prints(module: str, path: Path) -> None:
    assert print_faults(path.read_text(encoding="utf-8"), module) == []


@pytest.mark.parametrize(
    "source",
    [
        "open('trials.csv')",
        "import os",
        "from pathlib import Path",
        "import urllib.request",
        "frame.to_csv('trials.csv')",
        "frame.to_csv(path_or_buf=where)",
        "pd.read_csv(where)",
        "path.write_text('words')",
        "figure.savefig('figure.png')",
        "figure.savefig(where)",
        "np.save('effects.npy', effects)",
    ],
)
def test_a_way_to_a_file_is_found(source: str) -> None:
    assert len(file_faults(source, "outcomes.analysis.bad")) == 1
    assert file_faults(source, "outcomes.report.write") == []


@pytest.mark.parametrize(
    "source",
    ["frame.to_csv(index=False)", "held = BytesIO()\nfigure.savefig(held)", "values.to_numpy()"],
)
def test_bytes_in_memory_are_let_pass(source: str) -> None:
    assert file_faults(source, "outcomes.draw.good") == []


@pytest.mark.parametrize(
    "source", ["print('done')", "click.echo('done')", "import sys\nsys.stderr.write('done')"]
)
def test_words_to_the_terminal_are_found(source: str) -> None:
    assert len(print_faults(source, "outcomes.analysis.bad")) == 1


def test_the_command_line_may_echo_but_not_print() -> None:
    assert print_faults("click.echo('done')", "outcomes.cli.good") == []
    assert len(print_faults("print('done')", "outcomes.cli.bad")) == 1


def _loaded_by(code: str) -> set[str]:
    """Top-level packages in memory after some code, in a Python of its own."""
    tell = "\nimport sys\nsys.stderr.write('loaded ' + ' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code + tell], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return {name.partition(".")[0] for name in done.stderr.rpartition("loaded ")[2].split()}


HEAVY = {"jinja2", "lifelines", "matplotlib", "numpy", "openpyxl", "pandas", "pyarrow"}
HEAVY |= {"msgspec", "rapidfuzz", "scipy", "statsmodels"}


def _help(*words: str) -> str:
    arguments = ["outcomes", *words, "--help"]
    return (
        f"import sys\nsys.argv = {arguments!r}\nfrom outcomes.cli import main\n"
        "try:\n    main()\nexcept SystemExit as end:\n    assert not end.code"
    )


def test_importing_the_package_loads_no_library() -> None:
    assert not _loaded_by("import outcomes") & (HEAVY | {"click"})


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_help_loads_click_alone(command: str) -> None:
    loaded = _loaded_by(_help(*([command] if command else [])))
    assert "click" in loaded
    assert not loaded & HEAVY


def test_a_public_name_is_loaded_when_first_used() -> None:
    assert {"numpy", "pandas"} <= _loaded_by("import outcomes\noutcomes.read")


def test_every_public_name_is_there() -> None:
    for name in outcomes.__all__:
        assert getattr(outcomes, name) is not None


def test_answer_loads_only_what_it_needs() -> None:
    code = (
        "from outcomes.records import read\n"
        "from outcomes.answers import facts, side_questions\n"
        "from outcomes.report import answer_figure\n"
        "from outcomes.wording import limit, records, verdict\n"
        "from outcomes.analysis.decisions import threshold\n"
        "from outcomes.analysis.finds import cycles_or_age\n"
        "from outcomes.analysis.lifetimes import kaplan_meier\n"
        "import sys\nassert 'scipy.stats' not in sys.modules"
    )
    assert not _loaded_by(code) & {"jinja2", "lifelines", "openpyxl", "statsmodels"}


def test_calibration_needs_no_statsmodels() -> None:
    code = (
        "import numpy as np, sys\n"
        "from outcomes.analysis.finds import validation\n"
        "from outcomes.draw import calibration_figure\n"
        "from outcomes.models.prediction import calibrate\n"
        "y, p = np.arange(60) % 3 > 0, np.linspace(0.4, 0.9, 60)\n"
        "assert calibrate(y.astype(float), p, np.arange(60) % 5).slope_low is not None\n"
        "assert 'scipy.stats' not in sys.modules"
    )
    assert not _loaded_by(code) & {"lifelines", "statsmodels"}
