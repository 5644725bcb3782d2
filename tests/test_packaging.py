"""What is handed out installs, and says the same everywhere it says it."""

import ast
import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import canonicalize_name
from packaging.version import Version

import outcomes

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
NEEDED = [Requirement(line) for line in PROJECT["dependencies"]]
FOR_TESTS = [Requirement(line) for line in PROJECT["optional-dependencies"]["test"]]


def _lines(name: str) -> list[str]:
    return (ROOT / name).read_text(encoding="utf-8").splitlines()


def _blocks(name: str, language: str) -> list[list[str]]:
    """The lines of every fenced block of a language in a Markdown page."""
    text = (ROOT / name).read_text(encoding="utf-8")
    found = re.findall(rf"^```{language}\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)
    return [block.splitlines() for block in found]


def _pins() -> dict[str, str]:
    lines = [line for line in _lines("constraints.txt") if line and not line.startswith("#")]
    return {
        canonicalize_name(name): version for name, _, version in (x.partition("==") for x in lines)
    }


def _demo_and_test() -> tuple[str, str]:
    (demo,), (test,) = _blocks("README.md", "sh")[:2]
    return demo, test


def test_readme_opens_with_two_commands() -> None:
    demo, test = _demo_and_test()
    assert demo.endswith(" && .venv/bin/outcomes demo --out briefing")
    assert test.endswith(' && .venv/bin/python -m pytest -m "not slow and not study"')


def test_the_commands_need_python_and_pip_alone() -> None:
    for command in _demo_and_test():
        steps = re.split(r" && (?:\( )?| \|\| ", command)
        programs = [step.split()[0] for step in steps]
        assert [programs[0], programs[1], programs[3]] == ["python3"] * 3
        assert all(program.startswith(".venv/bin/") for program in (programs[2], *programs[4:]))
        assert "--constraint constraints.txt" in command


def test_ci_runs_the_readmes_commands() -> None:
    script = _lines(".ci/run")
    demo, test = _demo_and_test()
    assert script.count(demo) == script.count(test) == 1
    longer = '.venv/bin/python -m pytest -m "slow or study"'
    assert script[-1] == longer, "what the first leaves out, with pytest's closing line the last"
    for check in (".venv/bin/ruff check .", ".venv/bin/ruff format --check .", ".venv/bin/mypy"):
        assert script.index(demo) < script.index(f"{check} || failed=1") < script.index(test)


def test_developers_page_has_the_same_command() -> None:
    assert _blocks("DEVELOPERS.md", "sh")[0] == [_demo_and_test()[1]]


def test_the_windows_commands_do_the_same_steps() -> None:
    windows = [block[0] for block in _blocks("docs/start.md", "bat")]
    as_there = [
        command.replace("python3", "py")
        .replace("/bin/", "\\Scripts\\")
        .replace(".venv/pip.txt", ".venv\\pip.txt")
        .replace("'", "")
        for command in _demo_and_test()
    ]
    assert windows == as_there


def _imported_packages() -> set[str]:
    names: set[str] = set()
    for path in (ROOT / "outcomes").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and not node.level and node.module:
                names.add(node.module.partition(".")[0])
    return names - set(sys.stdlib_module_names) - {"outcomes"}


def test_package_declares_what_it_imports() -> None:
    homes = metadata.packages_distributions()
    imported = {canonicalize_name(homes[name][0]) for name in _imported_packages()}
    assert imported == {canonicalize_name(requirement.name) for requirement in NEEDED}


def test_pins_are_versions_and_nothing_else() -> None:
    lines = [line for line in _lines("constraints.txt") if not line.startswith("#")]
    assert [
        line for line in lines if not re.fullmatch(r"[A-Za-z0-9._-]+==[0-9][0-9a-z.]*", line)
    ] == []


@pytest.mark.parametrize("requirement", [*NEEDED, *FOR_TESTS], ids=str)
def test_a_requirement_allows_its_pin(requirement: Requirement) -> None:
    assert requirement.specifier.contains(Version(_pins()[canonicalize_name(requirement.name)]))


def test_everything_installed_is_pinned() -> None:
    pins = _pins()
    waiting = {(r.name, tuple(sorted(r.extras))) for r in (*NEEDED, *FOR_TESTS)}
    seen: set[tuple[str, tuple[str, ...]]] = set()
    while waiting - seen:
        name, extras = (waiting - seen).pop()
        seen.add((name, extras))
        for line in metadata.requires(name) or []:
            inner = Requirement(line)
            marker = inner.marker
            if marker is None or any(marker.evaluate({"extra": e}) for e in (*extras, "")):
                waiting.add((inner.name, tuple(sorted(inner.extras))))
    needed = {canonicalize_name(name) for name, _ in seen}
    assert needed - pins.keys() == set()
    assert pins.keys() - needed == set(), "pinned, but nothing asks for it"


def test_the_version_is_the_same_everywhere() -> None:
    newest = next(line for line in _lines("CHANGELOG.md") if line.startswith("## "))
    assert newest.split()[1] == PROJECT["version"] == outcomes.__version__


def test_every_other_file_is_packed() -> None:
    package = ROOT / "outcomes"
    packed = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    patterns = packed["setuptools"]["package-data"]["outcomes"]
    others = {
        path.relative_to(package).as_posix()
        for path in package.rglob("*")
        if path.is_file() and path.suffix not in (".py", ".pyc")
    }
    matched = {p.relative_to(package).as_posix() for glob in patterns for p in package.glob(glob)}
    assert others == matched


def test_the_licence_is_the_one_declared() -> None:
    licence = _lines("LICENSE")
    assert PROJECT["license"] == "MIT"
    assert licence[0] == "MIT License"
    assert licence[2].endswith("the outcomes authors")


def test_hooks_run_our_tools_and_fetch_nothing() -> None:
    lines = [line.strip() for line in _lines(".pre-commit-config.yaml")]
    assert [line for line in lines if line.startswith("- repo:")] == ["- repo: local"]
    hooks = sum(line.startswith("- id:") for line in lines)
    assert hooks == lines.count("language: system") == 3
    assert all(line.startswith("entry: .venv/bin/") for line in lines if line.startswith("entry:"))


def test_newer_pythons_are_not_shut_out() -> None:
    allowed = SpecifierSet(PROJECT["requires-python"])
    assert all(Version(number) in allowed for number in ("3.11.0", "3.14.2", "3.99.0"))
    assert Version("3.10.9") not in allowed
