"""Where the README's commands cannot work, one line says what to do."""

import ast
import importlib.util
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[1]
SCRIPT = ROOT / "check_machine.py"


def _load() -> ModuleType:
    spec = importlib.util.spec_from_file_location("check_machine", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


check_machine = _load()
HERE = tuple(sys.version_info)


@pytest.fixture
def empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def _pip(*arguments: str, **environment: str) -> str:
    """What pip writes to its error output when it fails; nothing on this machine changes."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith("PIP_")}
    kept |= {"PIP_CONFIG_FILE": os.devnull, "PIP_DRY_RUN": "1"} | environment
    command = [sys.executable, "-m", "pip", "install", "--quiet", *arguments]
    done = subprocess.run(command, cwd=ROOT, env=kept, capture_output=True, text=True, timeout=300)
    assert done.returncode != 0
    return done.stderr


def test_an_old_python_can_read_the_script() -> None:
    ast.parse(SCRIPT.read_text(encoding="utf-8"), feature_version=(3, 4))


def test_this_machine_is_in_order(empty) -> None:
    assert check_machine.check(HERE) is None


@pytest.mark.parametrize("version", [(2, 7, 18), (3, 6, 15), (3, 10, 99)])
def test_an_old_python_is_told_which_to_use(version, empty, monkeypatch) -> None:
    monkeypatch.setenv("PATH", str(empty))
    told = check_machine.check(version)
    assert told.startswith(
        f"This is Python {version[0]}.{version[1]}; outcomes needs 3.11 or newer"
    )
    assert told.endswith("Install one, and paste the line with its name, such as python3.14.")


@pytest.mark.skipif(os.name == "nt", reason="NOT TESTED: no shell scripts on Windows")
def test_a_newer_python_on_this_machine_is_named(empty, monkeypatch) -> None:
    for name, line in (("python3.14", "exit 1"), ("python3.12", "echo 3 12")):
        (empty / name).write_text(f"#!/bin/sh\n{line}\n", encoding="utf-8")
        (empty / name).chmod(0o755)
    monkeypatch.setenv("PATH", str(empty))
    told = check_machine.check((3, 9, 2))
    assert "paste the line with python3.12 for every python3" in told


@pytest.mark.parametrize("absent", ["ensurepip", "venv"])
def test_a_python_without_venv_names_the_package(absent, empty, monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, absent, None)
    told = check_machine.check((3, 12, 3, "final", 0))
    assert "sudo apt install python3.12-venv" in told
    assert "\n" not in told


def test_a_32_bit_python_is_told(empty, monkeypatch) -> None:
    monkeypatch.setattr(sys, "maxsize", 2**31 - 1)
    assert "32-bit" in check_machine.check(HERE)


@pytest.mark.parametrize("made", ["nothing in it", "a link that leads nowhere", "an old Python"])
@pytest.mark.skipif(os.name == "nt", reason="NOT TESTED: no shell scripts on Windows")
def test_old_library_folder_is_to_be_deleted(made, empty) -> None:
    python = empty / ".venv" / "bin" / "python"
    python.parent.mkdir(parents=True)
    if made.startswith("a link"):
        python.symlink_to(empty / "gone")
    elif made.startswith("an old"):
        python.write_text("#!/bin/sh\necho 3 9\n", encoding="utf-8")
        python.chmod(0o755)
    assert "Delete it, then paste the line again." in check_machine.check(HERE)


def test_a_folder_nobody_may_write_in_is_told(empty, monkeypatch) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    assert "Nothing can be written in this folder" in check_machine.check(HERE)


@pytest.mark.slow
@pytest.mark.parametrize("what", ["editable project", "library"])
def test_without_a_network_it_is_the_network(what) -> None:
    asked = ["--editable", "."] if what == "editable project" else ["a-library==1.0"]
    text = _pip(*asked, PIP_INDEX_URL="http://127.0.0.1:9/simple", PIP_RETRIES="1")
    assert check_machine.why(text).startswith("No network: pip could not fetch the libraries.")


def test_without_a_wheel_it_is_the_machine(tmp_path) -> None:
    (tmp_path / "numbers-1.0-cp27-cp27m-plan9_pdp11.whl").write_bytes(b"")
    found = ["--no-index", "--find-links", str(tmp_path)]
    told = check_machine.why(_pip(*found, "numbers==1.0"))
    assert told.startswith(f"There is no ready-made numbers for Python {HERE[0]}.{HERE[1]} on ")
    assert "Python 3.11 to 3.14" in told


BUILD_FAILED = """\
  error: subprocess-exited-with-error

  × Preparing metadata (pyproject.toml) did not run successfully.
  │ exit code: 1
  ╰─> [19 lines of output]
      Source dir: /tmp/pip-install-h_i3mnxk/numpy_fa4cb208cdaa4737b4f94abc1f923a9f
      ../meson.build:1:0: ERROR: Unable to get gcc pre-processor defines:
      [end of output]
error: metadata-generation-failed
"""
WHEEL_FAILED = """\
  ERROR: Failed building wheel for contourpy
ERROR: Could not build wheels for contourpy, which is required to install it
"""


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (BUILD_FAILED, "There is no ready-made numpy for"),
        (WHEEL_FAILED, "There is no ready-made contourpy for"),
        ("error: subprocess-exited-with-error\n", "There is no ready-made a library for"),
        ("OSError: [Errno 28] No space left on device\n", "The disk is full"),
        ("SSLError(SSLCertVerificationError(1, '[SSL: CERTIFICATE_VERIFY_FAILED]", "This network"),
        ("ProxyError('Cannot connect to proxy.', OSError(", "The proxy set on this machine"),
        (
            "WARNING: x\nERROR: [Errno 13] Permission denied: 'a'",
            "Files in .venv cannot be written",
        ),
        ("/x/.venv/bin/python: No module named pip\n", "The folder .venv is damaged"),
        ("sh: 1: .venv/bin/python: not found\n", "The folder .venv is damaged"),
        (
            "ERROR: Cannot install a and b\n",
            "pip could not install the libraries. It said: ERROR: C",
        ),
        ("", "pip could not install the libraries. It said: nothing"),
    ],
)
def test_what_pip_says_becomes_one_line(text, told) -> None:
    said = check_machine.why(text)
    assert said.startswith(told)
    assert "\n" not in said


def _readme_lines() -> list[str]:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```sh\n(.*?)\n```$", text, flags=re.MULTILINE | re.DOTALL)
    return blocks[:2]


@pytest.fixture
def pasted(tmp_path: Path) -> Path:
    """A folder where the lines find a stand-in for ``python3 -m venv`` and what it makes.

    What the stand-in's pip, demo and pytest end with stands in the files ``pip``, ``end``.
    """
    shutil.copy(SCRIPT, tmp_path)
    (tmp_path / "bin").mkdir()
    python = tmp_path / "bin" / "python3"
    real = shlex.quote(sys.executable)
    inner = (
        '#!/bin/sh\ncase "$*" in *"pip install"*) cat said >&2; exit $(cat pip);; '
        f'"-c "*) exec {real} "$@";; *) exit $(cat end);; esac\n'
    )
    (tmp_path / "inner").write_text(inner, encoding="utf-8")
    python.write_text(
        f'#!/bin/sh\ncase "$*" in "-m venv"*) mkdir -p .venv/bin && '
        "cp inner .venv/bin/python && cp inner .venv/bin/outcomes && chmod +x .venv/bin/*;; "
        f'*) exec {real} "$@";; esac\n',
        encoding="utf-8",
    )
    python.chmod(0o755)
    return tmp_path


def _paste(line: str, folder: Path, pip: int, end: int, said: str) -> tuple[int, str]:
    for name, content in (("pip", pip), ("end", end), ("said", said)):
        (folder / name).write_text(f"{content}", encoding="utf-8")
    path = f"{folder / 'bin'}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["sh", "-c", line],
        cwd=folder,
        env=os.environ | {"PATH": path},
        capture_output=True,
        text=True,
        timeout=60,
    )
    return done.returncode, done.stderr


@pytest.mark.skipif(os.name == "nt", reason="NOT TESTED: no sh on Windows")
@pytest.mark.parametrize("number", [0, 1])
def test_line_ends_with_its_last_status(number, pasted) -> None:
    line = _readme_lines()[number]
    assert _paste(line, pasted, pip=0, end=0, said="WARNING: of no account") == (0, "")
    assert _paste(line, pasted, pip=0, end=3, said="No space left on device") == (3, "")
    status, told = _paste(line, pasted, pip=1, end=0, said="Connection refused")
    assert status == 1
    assert told == "No network: pip could not fetch the libraries. Connect this computer, then " \
        "paste the line again.\n"  # fmt: skip
    assert _paste(line, pasted, pip=0, end=0, said="") == (0, "")


@pytest.mark.skipif(os.name == "nt", reason="NOT TESTED: no sh on Windows")
@pytest.mark.parametrize("number", [0, 1])
def test_line_stops_at_an_unfit_machine(number, pasted) -> None:
    (pasted / ".venv").mkdir()
    status, told = _paste(_readme_lines()[number], pasted, pip=0, end=0, said="")
    assert status == 1
    assert told.count("\n") == 1
    assert "Delete it" in told
    assert not (pasted / ".venv" / "bin").exists()


def test_the_pythons_named_are_those_of_the_pins() -> None:
    comment = (ROOT / "constraints.txt").read_text(encoding="utf-8").partition("\nannotated")[0]
    oldest, newest = ("{}.{}".format(*v) for v in (check_machine.OLDEST, check_machine.NEWEST))
    assert f"for {oldest} to {newest} on Linux" in comment
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    assert f'requires-python = ">={oldest}"' in project
