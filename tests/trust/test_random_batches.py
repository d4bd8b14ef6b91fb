"""Random good batches with every kind of key end in a checked plan whose proof is believed, however little time there is."""

from pathlib import Path

import pytest

from nestcut.batch import read_batch
from tests.trust.random_batches import outcome, write_random_batch

KEYS = (
    "units", "rim =", "scraps_csv", "clear", "overhang = 0", 'dies = "under"', 'papers = "any"', 'trims = "none"',
    'trims = "straight"', 'direction = "up"', 'direction = "stripe"', "both_sides = true", "circle", "oval", "corner",
    "outline", "copies", "turns", "mirror", "trips", 'pieces = "separate"', "any_of", "spares", "order", "extra_passes",
)  # fmt: skip


@pytest.mark.first(1)
@pytest.mark.parametrize("number", range(12))
def test_a_random_batch_is_planned_checked_and_proved(number, tmp_path):
    row = outcome(number, seconds=1.5, folder=tmp_path)
    assert row["state"] == "planned", row
    assert not row["notes"], row


@pytest.mark.thorough
def test_the_batches_hold_every_kind_of_key_and_the_reader_takes_them(tmp_path):
    texts = []
    for number in range(60):
        folder = tmp_path / str(number)
        folder.mkdir()
        path = write_random_batch(folder, number)
        assert read_batch(path).demand
        texts.append(path.read_text("utf-8"))
    everything = "\n".join(texts)
    assert [key for key in KEYS if key not in everything] == []


def test_the_same_number_is_the_same_batch(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    one, other = (write_random_batch(tmp_path / name, 7) for name in "ab")
    assert one.read_bytes() == other.read_bytes()
    assert Path(one).parent != Path(other).parent
