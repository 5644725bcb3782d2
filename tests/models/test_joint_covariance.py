"""The joint covariance against the inverse of the whole information, many levels or few."""

import numpy as np
import pytest

from outcomes.models.joint_covariance import Block, joint_covariance


def _blocks(rng: np.random.Generator, n: int, wide: int) -> list[Block]:
    blocks = []
    for name, levels, sd in (("few", 6, 0.5), ("none", 4, 0.0), ("many", wide, 0.7)):
        codes = np.concatenate([np.arange(levels), rng.integers(0, levels, n - levels)])
        labels = tuple(f"{name}{k}" for k in range(levels))
        effects = rng.normal(0.0, sd, (levels, 1))
        blocks.append(Block(name, codes, labels, np.array([[sd**2]]), effects))
    return blocks


@pytest.mark.parametrize("wide", [20, 160])
@pytest.mark.parametrize("kept", [(), ("many",)])
def test_it_is_inverse_of_the_whole_information(wide: int, kept: tuple[str, ...]) -> None:
    rng = np.random.default_rng(wide)
    n = 600
    blocks = _blocks(rng, n, wide)
    x = np.column_stack([np.ones(n), rng.normal(size=n)])
    weight = rng.uniform(0.05, 0.25, n)
    found = joint_covariance(x, ["a", "b"], weight, blocks, kept=kept)
    sds = [float(np.sqrt(b.covariance[0, 0])) for b in blocks]
    z = [sd * np.eye(len(b.levels))[b.codes] for b, sd in zip(blocks, sds, strict=True)]
    together = np.column_stack([x, *z])
    information = together.T @ (together * weight[:, None])
    information[2:, 2:] += np.eye(information.shape[0] - 2)
    scale = np.concatenate(
        [[1.0, 1.0], *(np.full(len(b.levels), sd) for b, sd in zip(blocks, sds, strict=True))]
    )
    whole = np.linalg.inv(information) * np.outer(scale, scale)
    names = [("", "a"), ("", "b"), *((b.name, level) for b in blocks for level in b.levels)]
    place = {name: k for k, name in enumerate(names)}
    own = [place[name] for name in found.names]
    np.testing.assert_allclose(found.kept, whole[np.ix_(own, own)], atol=1e-12)
    assert (found.wide is not None) == (wide > 150 and not kept)
    if found.wide is not None:
        rest = [place["many", level] for level in found.wide.levels]
        with_kept, variance = found.wide.covariances(found.kept)
        np.testing.assert_allclose(with_kept, whole[np.ix_(rest, own)], atol=1e-12)
        np.testing.assert_allclose(variance, np.diag(whole)[rest], atol=1e-12)
    given = np.linalg.inv(information[2:, 2:])
    conditional = scale[2:] * np.sqrt(np.diag(given))
    for b in blocks:
        levels = [place[b.name, level] - 2 for level in b.levels]
        np.testing.assert_allclose(found.errors[b.name], conditional[levels], atol=1e-12)
