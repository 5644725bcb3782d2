"""How the study of planted faults draws its sample and adds up; the faults are not planted here."""

import json
import random
import re
from pathlib import Path

import mutation as study
import numpy as np
import pytest


def test_sample_is_drawn_once_in_any_order() -> None:
    names = [f"fault {k}" for k in range(100)]
    drawn = study.draw(names, 40, seed=1)
    assert len(set(drawn)) == 40
    assert set(drawn) < set(names)
    assert study.draw(random.Random(3).sample(names, 100), 40, seed=1) == drawn
    assert study.draw(names, 40, seed=2) != drawn
    assert study.draw(names[:7], 40, seed=1) == names[:7]


def test_share_of_faults_is_right_on_average() -> None:
    # Three modules of known shares, sampled 4,000 times: the mean of the estimates is the
    # truth within 4 of its errors, and the mean of the errors told their spread within 5 %.
    rng = np.random.default_rng(5)
    modules = [np.arange(n) < round(n * share) for n, share in ((400, 0.9), (60, 0.5), (30, 1.0))]
    told = []
    for _ in range(4000):
        shares = [(len(m), 30, int(rng.choice(m, 30, replace=False).sum())) for m in modules]
        numbers = re.findall(r"([0-9.]+) %|± ([0-9.]+)", study.overall(shares))
        told.append([float(numbers[0][0]), float(numbers[1][1])])
    estimate, error = np.array(told).T
    truth = 100 * np.concatenate(modules).mean()
    assert abs(estimate.mean() - truth) < 4 * estimate.std() / np.sqrt(len(estimate)) + 0.01
    assert error.mean() == pytest.approx(estimate.std(), rel=0.05)
    whole = [(len(m), len(m), int(m.sum())) for m in modules]
    assert study.overall(whole) == f"Of all 490 faults in these modules, {truth:.1f} % are noticed."


def test_the_page_is_made_of_what_is_stored() -> None:
    rows = study.read_stored()
    assert rows
    assert study.PAGE.read_text(encoding="utf-8") == study.as_markdown(rows)
    for row in rows:
        kept = study.FOLDER / f"{row['module'].replace('/', '_').removesuffix('.py')}.txt"
        shown = [block for block in kept.read_text(encoding="utf-8").split("\n\n") if block.strip()]
        assert len(shown) == int(row["missed"])


def test_reached_fault_is_asked_of_every_test(tmp_path: Path) -> None:
    stats = tmp_path / "mutmut-stats.json"
    seen = {"reached": ["test_a"], "never": []}
    times = {"test_a": 1.0, "test_b": 2.0}
    stats.write_text(
        json.dumps({"tests_by_mangled_function_name": seen, "duration_by_test": times})
    )
    study.ask_every_test(stats)
    found = json.loads(stats.read_text())
    assert found["tests_by_mangled_function_name"] == {"reached": ["test_a", "test_b"]}
    assert found["duration_by_test"] == times
