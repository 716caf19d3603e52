"""Places found again under a known move, with known losses."""

import numpy as np
import pytest

from traygauge.judge.matching import is_unmoved, match_places, same_pieces


def scattered(n: int, seed: int) -> np.ndarray:
    """Return places at least 4 mm apart, as pieces that don't touch lie, (n, 2) mm."""
    rng = np.random.default_rng(seed)
    grid = np.stack(np.meshgrid(np.arange(20.0, 170, 6), np.arange(20.0, 110, 6)), -1).reshape(-1, 2)
    return rng.permutation(grid)[:n] + rng.uniform(-1, 1, (n, 2))


@pytest.mark.parametrize(
    ("turn_deg", "shift_mm"), [(0.0, (0.0, 0.0)), (1.0, (1.5, -2.0)), (-1.5, (0.3, 2.5))]
)
def test_every_place_is_found_again_after_a_nudge(turn_deg: float, shift_mm: tuple[float, float]) -> None:
    one, rng = scattered(80, 1), np.random.default_rng(2)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    order = rng.permutation(80)
    middle = one.mean(0)
    moved = (one - middle) @ np.array([[c, s], [-s, c]]) + middle + shift_mm + rng.normal(0, 0.1, one.shape)
    assert match_places(one, moved[order]).tolist() == np.argsort(order).tolist()


def test_what_is_missing_is_not_given_a_neighbour_instead() -> None:
    one = scattered(40, 3)
    found = match_places(one, one[5:])
    assert found.tolist() == [-1] * 5 + list(range(35))


@pytest.mark.parametrize("sizes", [(0, 4), (4, 0), (0, 0), (1, 1), (2, 1)])
def test_few_places_or_none(sizes: tuple[int, int]) -> None:
    places = scattered(4, 4)
    found = match_places(places[: sizes[0]], places[: sizes[1]])
    assert found.tolist() == [k if k < sizes[1] else -1 for k in range(sizes[0])]


def test_pieces_seen_in_all_photos_share_a_row(batch) -> None:
    places, n = scattered(12, 5), 12
    keep = [np.arange(n), np.array([0, 2, 3, 4, 6, 7, 8, 9, 10, 11]), np.arange(n)[::-1]]
    photo = np.repeat(["a", "b", "c"], [len(k) for k in keep])
    at = places[np.concatenate(keep)]
    pieces = batch(np.full(len(at), 3.0), photo=photo, x_mm=at[:, 0], y_mm=at[:, 1])
    same = same_pieces(pieces, ["a", "b", "c"])
    assert same.shape == (10, 3)
    for row in same:
        assert np.ptp(at[row], axis=0).max() == 0
        assert photo[row].tolist() == ["a", "b", "c"]
    assert is_unmoved(pieces, ["a", "b", "c"], same)


def test_a_shuffled_tray_is_told_from_one_left_alone(batch) -> None:
    at = np.concatenate([scattered(60, 6), scattered(60, 7) + 3.0])
    pieces = batch(np.full(120, 3.0), photo=np.repeat(["a", "b"], 60), x_mm=at[:, 0], y_mm=at[:, 1])
    assert not is_unmoved(pieces, ["a", "b"], same_pieces(pieces, ["a", "b"]))
