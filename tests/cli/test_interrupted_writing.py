"""Ctrl-C and a full disk while results are written: the old ones stay whole."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from outcomes.errors import OutputError
from outcomes.records.placing import write_files
from outcomes.records.workbook import write_template
from outcomes.report.out_folder import FILES

ROOT = Path(__file__).parents[2]
COMMAND_LINE = (sys.executable, "-c", "from outcomes.cli import main; main()")

# The command line, made to stand still before one of its steps until it is interrupted.
STANDING_STILL = """
import pathlib, sys, time
from outcomes.cli import main

step, number = sys.argv[1], int(sys.argv[2])
sys.argv[1:3] = []
plain, done = getattr(pathlib.Path, step), 0

def slow(self, *words):
    global done
    done += 1
    if done == number:
        print("standing still", file=sys.stderr, flush=True)
        time.sleep(60)
    return plain(self, *words)

setattr(pathlib.Path, step, slow)
main()
"""


def _bytes_in(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def _interrupted(
    step: str, number: int, *arguments: object, by: int = signal.SIGINT
) -> tuple[int, str]:
    """Exit status and complaint of a command that was told to end before a step of its writing."""
    said = []
    begun = time.monotonic()
    with subprocess.Popen(
        [sys.executable, "-c", STANDING_STILL, step, str(number), *map(str, arguments)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        # What a shell starts in the background is deaf to Ctrl-C; a person's terminal is not.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    ) as run:
        for line in run.stderr:
            said.append(line)
            if line.strip() == "standing still":
                run.send_signal(by)
            assert time.monotonic() - begun < 120
    return run.returncode, "".join(said)


# Two files are written (1, 2), then for each the old one is put by and the new one put in place.
STEPS = [(step, number) for step in ("write_bytes", "hardlink_to", "replace") for number in (1, 2)]


@pytest.mark.slow
@pytest.mark.parametrize(("step", "number"), STEPS)
def test_ctrl_c_while_writing_keeps_old_results(step, number, own_records, tmp_path, call) -> None:
    out = tmp_path / "results"
    assert call("join", own_records, "--out", out / "joined.csv").status == 0
    before = _bytes_in(out)
    assert len(before) == 2
    (own_records / "unit.toml").write_text("[exposure]\nbase_c = 4\n")
    status, said = _interrupted(step, number, "join", own_records, "--out", out / "joined.csv")
    assert status == 130
    assert said.splitlines()[-1] == "outcomes: stopped; nothing was overwritten."
    assert "Traceback" not in said
    assert _bytes_in(out) == before
    assert sorted(p.name for p in out.iterdir()) == sorted(before)


@pytest.mark.slow
@pytest.mark.parametrize("times", [1, 3])
@pytest.mark.parametrize("step", ["Asking whether", "Drawing", "Search time"])
def test_ctrl_c_reaches_both_processes_once(step, times, few_records, tmp_path) -> None:
    said, seen = [], False
    with subprocess.Popen(
        [*COMMAND_LINE, "brief", str(few_records), "--out", str(tmp_path / "out")],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OUTCOMES_CORES": "2"},
        # A terminal sends Ctrl-C to every process of the command.
        start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    ) as run:
        for line in run.stderr:
            said.append(line)
            if line.startswith(step) and not seen:
                seen = True
                for _ in range(times):
                    with contextlib.suppress(ProcessLookupError):
                        os.killpg(run.pid, signal.SIGINT)
                    time.sleep(0.1)
    assert seen
    assert run.returncode == 130
    figure = tmp_path / "out" / "figure.png"
    told = "outcomes: stopped; nothing was overwritten."
    if step != "Asking whether":  # the answer is drawn by then
        told += f" {figure} is this run's, and the only file written."
    assert [line for line in said if line.strip() and not line.strip().endswith("…")] == [
        f"{told}\n"
    ]
    assert list(tmp_path.glob("out/*")) == ([] if step == "Asking whether" else [figure])
    assert list(tmp_path.glob("out/.*")) == []


@pytest.mark.slow
@pytest.mark.parametrize("command", ["check", "fit", "brief"])
def test_early_leaving_reader_is_no_error(command, few_records, tmp_path) -> None:
    reads, writes = os.pipe()
    out = ["--out", str(tmp_path / "out")] if command == "brief" else []
    with subprocess.Popen(
        [*COMMAND_LINE, command, str(few_records), *out],
        stdout=writes,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as run:
        os.close(writes)
        os.close(reads)  # nobody reads from the first line on
        _, err = run.communicate()
    assert run.returncode == 0
    assert [line for line in err.splitlines() if line and not line.endswith("…")] == []
    assert sorted(p.name for p in tmp_path.glob("out/*")) == (sorted(FILES) if out else [])


@pytest.mark.slow
def test_what_was_interrupted_can_be_done_again(own_records, tmp_path, call) -> None:
    out = tmp_path / "results"
    status, _ = _interrupted("replace", 2, "join", own_records, "--out", out / "joined.csv")
    assert status == 130
    assert list(out.iterdir()) == []
    assert call("join", own_records, "--out", out / "joined.csv").status == 0
    assert len(_bytes_in(out)) == 2


@pytest.mark.slow
@pytest.mark.parametrize("by", [signal.SIGTERM, signal.SIGHUP])
def test_closed_terminal_ends_as_ctrl_c(by, own_records, tmp_path, call) -> None:
    out = tmp_path / "joined.csv"
    assert call("join", own_records, "--out", out).status == 0
    before = _bytes_in(tmp_path)
    status, said = _interrupted("replace", 2, "join", own_records, "--out", out, by=by)
    assert status == 128 + by
    assert said.splitlines()[-1] == "outcomes: stopped; nothing was overwritten."
    assert _bytes_in(tmp_path) == before


def _all_gone(group: int, by: float) -> bool:
    """Whether nobody is left in a group of processes before then."""
    while time.monotonic() < by:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.1)
    return False


@pytest.mark.slow
@pytest.mark.parametrize("by", [signal.SIGTERM, signal.SIGHUP])
def test_signal_ends_the_second_process_too(by, few_records, tmp_path) -> None:
    with subprocess.Popen(
        [*COMMAND_LINE, "brief", str(few_records), "--out", str(tmp_path / "out")],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OUTCOMES_CORES": "2"},
        start_new_session=True,
    ) as run:
        for line in run.stderr:
            if line.startswith("Asking whether"):
                run.send_signal(by)
    assert run.returncode == 128 + by
    assert _all_gone(run.pid, by=time.monotonic() + 20)


@pytest.mark.parametrize("linked", [True, False])
def test_every_file_is_there_at_every_step(linked, tmp_path, monkeypatch) -> None:
    old = {"a": b"old a", "b": b"old b"}
    write_files(tmp_path, old)
    seen = []

    def watched(name: str):
        plain = getattr(Path, name)

        def step(self: Path, other: Path):
            seen.append([(tmp_path / file).read_bytes() for file in old])
            if name == "hardlink_to" and not linked:
                raise OSError(1, "Operation not permitted")
            return plain(self, other)

        return step

    for name in ("replace", "hardlink_to"):
        monkeypatch.setattr(Path, name, watched(name))
    write_files(tmp_path, {"a": b"new a", "b": b"new b"})
    assert seen == [
        *[[b"old a", b"old b"]] * 2,
        *[[b"new a", b"old b"]] * 2,
    ]
    assert _bytes_in(tmp_path) == {"a": b"new a", "b": b"new b"}


def test_leftovers_of_a_killed_run_are_told(own_records, tmp_path, call) -> None:
    (tmp_path / "out" / ".outcomes-abc").mkdir(parents=True)
    answer = call("join", own_records, "--out", tmp_path / "out" / "joined.csv")
    assert answer.status == 0
    assert f"{tmp_path / 'out' / '.outcomes-abc'} was left by an earlier run" in answer.err


@pytest.mark.parametrize("number", [1, 2, 3])
def test_error_at_any_rename_leaves_old_files(number, tmp_path, monkeypatch) -> None:
    old = {"a": b"old a", "c": b"old c"}
    write_files(tmp_path, old)
    replace, done = Path.replace, 0

    def failing(self: Path, target: Path) -> Path:
        nonlocal done
        done += 1
        if done == number:
            raise OSError(5, "Input/output error")
        return replace(self, target)

    # Place a, place b (new), place c.
    monkeypatch.setattr(Path, "replace", failing)
    with pytest.raises(OutputError, match="Input/output error"):
        write_files(tmp_path, {"a": b"new a", "b": b"new b", "c": b"new c"})
    assert _bytes_in(tmp_path) == old


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 256 kB; only root may make one."""
    disk = tmp_path / "disk"
    disk.mkdir()
    made = (
        subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(disk)],
            capture_output=True,
            text=True,
            check=False,
        )
        if hasattr(os, "geteuid") and os.geteuid() == 0
        else None
    )
    if made is None or made.returncode:
        pytest.skip("a small disk cannot be mounted here; the tests with a feigned one still run")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


def test_a_full_disk_leaves_the_old_results_whole(small_disk, own_records, call) -> None:
    out = small_disk / "joined.csv"
    assert call("join", own_records, "--out", out).status == 0
    before = _bytes_in(small_disk)
    room = os.statvfs(small_disk)
    (small_disk / "filler").write_bytes(b"x" * (room.f_bavail * room.f_frsize - 8192))
    answer = call("join", own_records, "--out", out)
    assert answer.status == 1
    assert answer.complaints == [
        f"outcomes: {small_disk} cannot be written to (No space left on device). "
        "Choose another folder or make room."
    ]
    (small_disk / "filler").unlink()
    assert _bytes_in(small_disk) == before
    assert sorted(p.name for p in small_disk.iterdir()) == sorted(before)


def test_full_disk_leaves_no_half_template(small_disk) -> None:
    room = os.statvfs(small_disk)
    (small_disk / "filler").write_bytes(b"x" * (room.f_bavail * room.f_frsize - 4096))
    with pytest.raises(OutputError, match="no space left on device"):
        write_template(small_disk / "unit.xlsx")
    assert [p.name for p in small_disk.iterdir()] == ["filler"]


def test_full_disk_leaves_demo_records_whole(tmp_path, monkeypatch) -> None:
    from outcomes.records.write import write_unit
    from outcomes.simulate import Truth, simulate_unit

    write_unit(simulate_unit(Truth(), 1, trials=60), tmp_path)
    before = _bytes_in(tmp_path)
    write = Path.write_bytes

    def full(self: Path, data: bytes) -> int:
        if self.name == "trials.csv":
            raise OSError(28, "No space left on device")
        return write(self, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError, match="No space left on device"):
        write_unit(simulate_unit(Truth(), 2, trials=60), tmp_path)
    assert _bytes_in(tmp_path) == before
