import itertools
import struct
from pathlib import Path

import cantools
import numpy as np
import pytest
from cantools.database.can import Message, Signal
from cantools.database.conversion import BaseConversion
from hypothesis import given, settings, strategies as st

from logan.dbc.loading import compile_dbc
from logan.frames.decode import MessageDecoder
from logan.frames.raw_columns import MessageColumns
from logan.frames.signal_layout import ByteOrder, MessageLayout, MuxCondition, SignalLayout


def decode_message(layout, columns, *, wanted=None):
    decoder = MessageDecoder(layout, wanted=wanted)
    decoder.append(columns)
    return decoder.columns()


def columns_of(payloads, *, width=8):
    payload = np.zeros((len(payloads), width), np.uint8)
    for row, data in zip(payload, payloads, strict=True):
        row[: len(data)] = np.frombuffer(bytes(data), np.uint8)
    return MessageColumns(
        time_ns=np.arange(len(payloads), dtype=np.int64) * 1000,
        length=np.array([len(data) for data in payloads], np.uint8),
        payload=payload,
    )


def message_of(*signals, length=8):
    return MessageLayout(name="M", can_id=0x123, is_extended=False, length=length, signals=signals)


def decoded(message, payloads, *, width=8):
    return {column.name: column for column in decode_message(message, columns_of(payloads, width=width))}


def written(message):
    """Layout and faults of a message that the reference has written as a DBC."""
    text = cantools.database.can.Database([message], strict=False).as_dbc_string()
    (layout,), faults = compile_dbc(text.encode(), Path("reference.dbc"))
    return layout, faults


@st.composite
def layouts(draw):
    """A message of 1 to 64 bytes with one signal anywhere in it, of any kind that a DBC can say."""
    byte_count = draw(st.sampled_from([1, 2, 3, 5, 7, 8, 8, 8, 12, 24, 64]))
    is_float = draw(st.booleans()) and byte_count >= 4
    sizes = [size for size in (32, 64) if size <= 8 * byte_count]
    bit_length = draw(st.sampled_from(sizes)) if is_float else draw(st.integers(1, min(64, 8 * byte_count)))
    position = draw(st.integers(0, 8 * byte_count - bit_length))
    is_big = draw(st.booleans())
    start = 8 * (position // 8) + 7 - position % 8 if is_big else position
    scale = draw(st.sampled_from([1, 2, 10, 0.1, 0.5, 0.01, -1, -0.125, 1e-3, 3.6]))
    offset = draw(st.sampled_from([0, 0, 1, -40, -1000, 0.5, 273.15]))
    signal = Signal(
        "S",
        start,
        bit_length,
        byte_order="big_endian" if is_big else "little_endian",
        is_signed=draw(st.booleans()) and not is_float,
        conversion=BaseConversion.factory(scale=scale, offset=offset, is_float=is_float),
    )
    return Message(0x123, "M", byte_count, [signal])


@settings(deadline=None, max_examples=400)
@given(message=layouts(), data=st.data())
def test_values_equal_the_reference_decoder_for_any_layout(message, data):
    payloads = data.draw(st.lists(st.binary(min_size=message.length, max_size=message.length), min_size=1, max_size=8))
    layout, faults = written(message)
    assert faults == ()
    (column,) = decode_message(layout, columns_of(payloads, width=8 if message.length <= 8 else 64))
    expected = [message.decode(payload)["S"] for payload in payloads]
    assert len(column.value) == len(payloads)
    for ours, theirs in zip(column.value.tolist(), expected, strict=True):
        if theirs != theirs:  # NaN
            assert ours != ours
        elif layout.signals[0].bit_length <= 53 or column.value.dtype != np.float64:
            assert ours == theirs
        else:
            assert abs(ours - theirs) <= 2 * np.spacing(abs(float(theirs)))


@st.composite
def multiplexed(draw):
    """Three levels of selectors, each value of which has signals of its own; any selector may be signed."""
    orders = st.sampled_from(["little_endian", "big_endian"])

    def signal(name, byte, order, **keywords):
        return Signal(name, 8 * byte + (7 if order == "big_endian" else 0), 8, byte_order=order, **keywords)

    top_ids = draw(st.lists(st.integers(0, 3), min_size=1, max_size=3, unique=True))
    sub_ids = draw(st.lists(st.integers(0, 3), min_size=1, max_size=3, unique=True))
    signals = [
        signal("Top", 0, draw(orders), is_multiplexer=True),
        signal("Always", 1, draw(orders)),
        signal("Sub", 2, draw(orders), is_multiplexer=True, multiplexer_ids=top_ids[:1], multiplexer_signal="Top"),
        signal("Deep", 3, draw(orders), multiplexer_ids=sub_ids, multiplexer_signal="Sub"),
        signal("Flat", 4, draw(orders), multiplexer_ids=top_ids[1:] or [7], multiplexer_signal="Top"),
    ]
    return Message(0x123, "M", 8, signals, strict=False)


@settings(deadline=None, max_examples=100)
@given(message=multiplexed(), data=st.data())
def test_multiplexed_signals_are_there_exactly_where_the_reference_decoder_has_them(message, data):
    frame = st.lists(st.integers(0, 4), min_size=3, max_size=8).map(bytes)
    payloads = data.draw(st.lists(frame, min_size=1, max_size=12))
    layout, _ = written(message)
    columns = decode_message(layout, columns_of(payloads))
    for row, payload in enumerate(payloads):
        ours = {
            column.name: float(column.value[column.time_ns == row * 1000][0])
            for column in columns
            if row * 1000 in column.time_ns
        }
        try:
            assert ours == message.decode(payload, allow_truncated=True)
        except cantools.database.DecodeError:
            # The reference loses the whole frame to an unknown selector value.
            assert {"Top", "Always"} <= ours.keys()
            assert "Deep" not in ours or "Sub" in ours


def test_a_signal_outside_a_short_frame_is_absent_not_zero():
    message = message_of(
        SignalLayout(name="Low", start_bit=0, bit_length=8), SignalLayout(name="High", start_bit=56, bit_length=8)
    )
    columns = decoded(message, [bytes(range(1, 9)), b"\x07", b"", bytes(range(8))])
    assert columns["Low"].value.tolist() == [1, 7, 0]
    assert columns["Low"].time_ns.tolist() == [0, 1000, 3000]
    assert columns["High"].value.tolist() == [8, 7]
    assert columns["High"].time_ns.tolist() == [0, 3000]


def test_bytes_beyond_the_declared_length_are_decoded_like_any_other():
    message = message_of(SignalLayout(name="S", start_bit=40, bit_length=8), length=4)
    assert decoded(message, [b"\0" * 5 + b"\x2a"])["S"].value.tolist() == [42]


def test_an_unknown_selector_value_leaves_the_other_signals():
    condition = (MuxCondition("Mux", ((1, 1), (4, 6))),)
    message = message_of(
        SignalLayout(name="Mux", start_bit=0, bit_length=8),
        SignalLayout(name="Common", start_bit=8, bit_length=8),
        SignalLayout(name="Some", start_bit=16, bit_length=8, conditions=condition),
    )
    columns = decoded(message, [b"\x01\x0a\x0b", b"\x09\x0c\x0d", b"\x05\x0e\x0f"])
    assert columns["Common"].value.tolist() == [10, 12, 14]
    assert columns["Some"].value.tolist() == [11, 15]
    assert columns["Some"].time_ns.tolist() == [0, 2000]


def test_a_signal_whose_selector_is_cut_off_is_absent():
    message = message_of(
        SignalLayout(name="Mux", start_bit=56, bit_length=8),
        SignalLayout(name="S", start_bit=0, bit_length=8, conditions=(MuxCondition("Mux", ((0, 0),)),)),
    )
    columns = decoded(message, [b"\x05" + bytes(7), b"\x06\x00"])
    assert columns["S"].value.tolist() == [5]


def test_whole_values_beyond_53_bits_keep_every_digit():
    message = message_of(
        SignalLayout(name="Unsigned", start_bit=0, bit_length=64),
        SignalLayout(name="Signed", start_bit=0, bit_length=64, is_signed=True),
        SignalLayout(name="Scaled", start_bit=0, bit_length=60, scale=10, offset=-3, is_signed=True),
    )
    columns = decoded(message, [b"\xff\xff\xff\xff\xff\xff\xff\xff", b"\x01\x00\x00\x00\x00\x00\x00\x04"])
    assert columns["Unsigned"].value.tolist() == [2**64 - 1, 2**58 + 1]
    assert columns["Unsigned"].value.dtype == np.uint64
    assert columns["Signed"].value.tolist() == [-1, 2**58 + 1]
    assert columns["Scaled"].value.tolist() == [-13, (2**58 + 1) * 10 - 3]


@pytest.mark.parametrize("code", ["<e", ">e", "<f", ">f", "<d", ">d"])
def test_floats_of_every_size_and_byte_order(code):
    size = struct.calcsize(code)
    is_big = code[0] == ">"
    message = message_of(
        SignalLayout(
            name="F",
            start_bit=7 if is_big else 0,
            bit_length=8 * size,
            byte_order=ByteOrder.BIG_ENDIAN if is_big else ByteOrder.LITTLE_ENDIAN,
            is_float=True,
        )
    )
    values = [1.5, -0.25, 0.0, float("inf"), float("nan")]
    column = decoded(message, [struct.pack(code, value) for value in values])["F"]
    np.testing.assert_array_equal(column.value, values)


def test_only_the_signals_asked_for_are_decoded():
    message = message_of(
        SignalLayout(name="A", start_bit=0, bit_length=8), SignalLayout(name="B", start_bit=8, bit_length=8)
    )
    columns = decode_message(message, columns_of([b"\x01\x02"]), wanted=lambda signal: signal.name == "B")
    assert [column.name for column in columns] == ["B"]


def test_a_signal_without_a_single_row_still_has_its_column():
    message = message_of(SignalLayout(name="A", start_bit=0, bit_length=8))
    assert decoded(message, [])["A"].value.size == 0


@settings(deadline=None, max_examples=50)
@given(
    payloads=st.lists(st.binary(max_size=8), min_size=1, max_size=60),
    cuts=st.lists(st.integers(0, 60), max_size=6),
    guess=st.floats(0.0, 20.0),
)
def test_cutting_a_message_into_blocks_changes_nothing(payloads, cuts, guess):
    message = message_of(
        SignalLayout(name="Mux", start_bit=0, bit_length=2),
        SignalLayout(name="Always", start_bit=4, bit_length=12, is_signed=True),
        SignalLayout(name="One", start_bit=16, bit_length=16, scale=0.1, conditions=(MuxCondition("Mux", ((1, 1),)),)),
        SignalLayout(name="Wide", start_bit=0, bit_length=60),
    )
    columns = columns_of(payloads)
    decoder = MessageDecoder(message)
    bounds = sorted({0, len(payloads), *(cut for cut in cuts if cut < len(payloads))})
    for start, stop in itertools.pairwise(bounds):
        rows = slice(start, stop)
        decoder.append(
            MessageColumns(time_ns=columns.time_ns[rows], length=columns.length[rows], payload=columns.payload[rows]),
            guess,
        )
    for whole, pieced in zip(decode_message(message, columns), decoder.columns(), strict=True):
        np.testing.assert_array_equal(pieced.value, whole.value)
        np.testing.assert_array_equal(pieced.time_ns, whole.time_ns)
