"""Values worked out by hand, bit by bit, for one signal of every kind."""

from pathlib import Path

import pytest

from logan.pipeline.ingest import read_logs
from logan.pipeline.logs_reader import Reading

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


@pytest.fixture(scope="module")
def signals():
    return read_logs(
        [FIXTURES / "logs/candump/every_kind.log"], Reading(dbcs=[FIXTURES / "dbc/every_kind.dbc"], threads=1)
    ).signals


@pytest.mark.parametrize(
    ("name", "values"),
    [
        # 100#E803F6FF40650200: E8 03 is 0x03E8 = 1000; the later frame, E903, is cut off after it.
        ("Unsigned", [100.0, 100.1]),
        # F6 FF is 0xFFF6 = -10.
        ("Signed", [-1.0]),
        # Bytes 4 and 5, 40 65: 0x6540 >> 5 = 0x32A, ten bits of it are 810; -40.
        ("Unaligned", [770.0]),
        ("State", [2.0]),
        # 101#03E8FF3805500000: 0x03E8; 0xFF38 = -200; from bit 2 of byte 4 (05) down 101, then 0101000 of 50.
        ("UnsignedM", [100.0]),
        ("SignedM", [-200.0]),
        ("UnalignedM", [0.5 * 0b1010101000]),
        ("Counter", [2**63 + 1]),
        # 0x3FC00000 = 1.5 in IEEE 754; 0xC0200000 = -2.5.
        ("Single", [1.5]),
        ("SingleM", [-2.5]),
        # Pages 1, 3, 15 (unknown) and 2 (cut off).
        ("Page", [1.0, 3.0, 15.0, 2.0]),
        ("Always", [99.0, 98.0, 97.0]),
        ("OnOne", [42.0]),
        ("SubPage", [8.0]),
        ("Deep", [17.0]),
        # 0x96 = 150; sent by address 11, and the DBC names FE.
        ("Torque", [25.0]),
    ],
)
def test_a_signal_of_every_kind(signals, name, values):
    (column,) = signals.find(name)
    assert column.value.tolist() == pytest.approx(values, rel=1e-15)


def test_what_belongs_to_a_signal_comes_with_it(signals):
    (state,) = signals.find("State")
    assert (state.comment, dict(state.choices)) == (
        "What the vehicle is doing",
        {0: "Parked", 1: "Ready", 2: "Driving"},
    )
    assert signals.frame_count == 11
