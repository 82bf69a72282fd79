import time

import cantools
import pytest

from logan.dbc import loading
from logan.dbc.loading import compile_dbc, load_dbc
from logan.dbc.statements import MOST_FAULTS
from logan.errors import DbcError
from logan.frames.signal_layout import ByteOrder, LayoutIndex, MuxCondition
from tests.registry_files import registry_folder

PLAIN = """VERSION ""
BU_: X
BO_ 256 Pack: 8 X
 SG_ Voltage : 0|16@1+ (0.1,0) [0|1000] "V" X
 SG_ Current : 23|16@0- (0.1,-5) [-500|500] "A" X
 SG_ State : 32|4@1+ (1,0) [0|3] "" X
BO_ 2566834709 Motor: 8 X
 SG_ Speed : 0|32@1- (1,0) [0|0] "rpm" X
CM_ SG_ 256 Voltage "Terminal voltage";
VAL_ 256 State 0 "Off" 1 "Ready" ;
SIG_VALTYPE_ 2566834709 Speed : 1;
"""


def load(tmp_path, text, *, encoding="utf-8"):
    path = tmp_path / "test.dbc"
    path.write_bytes(text.encode(encoding))
    return load_dbc(path)


def test_every_property_of_a_signal_reaches_its_layout(tmp_path):
    dbc = load(tmp_path, PLAIN)
    pack, motor = dbc.messages
    assert (pack.name, pack.can_id, pack.is_extended, pack.length) == ("Pack", 256, False, 8)
    voltage, current, state = (pack.signal(name) for name in ("Voltage", "Current", "State"))
    assert (voltage.start_bit, voltage.bit_length, voltage.byte_order) == (0, 16, ByteOrder.LITTLE_ENDIAN)
    assert (voltage.scale, voltage.offset, voltage.unit, voltage.comment) == (0.1, 0, "V", "Terminal voltage")
    assert (voltage.minimum, voltage.maximum) == (0, 1000)
    assert (current.start_bit, current.byte_order, current.is_signed) == (23, ByteOrder.BIG_ENDIAN, True)
    assert dict(state.choices) == {0: "Off", 1: "Ready"}
    assert (motor.can_id, motor.is_extended) == (2566834709 & 0x1FFFFFFF, True)
    assert motor.signals[0].is_float
    assert dbc.faults == ()


def test_nested_multiplexing_lists_every_level(tmp_path):
    dbc = load(
        tmp_path,
        'BU_: X\nBO_ 1 M: 8 X\n SG_ Top M : 0|8@1+ (1,0) [0|0] "" X\n SG_ Sub m1M : 8|8@1+ (1,0) [0|0] "" X\n'
        ' SG_ Deep m2 : 16|8@1+ (1,0) [0|0] "" X\nSG_MUL_VAL_ 1 Sub Top 1-1;\nSG_MUL_VAL_ 1 Deep Sub 2-4, 7-7;\n',
    )
    assert dbc.messages[0].signal("Deep").conditions == (
        MuxCondition("Sub", ((2, 4), (7, 7))),
        MuxCondition("Top", ((1, 1),)),
    )


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_units_survive_every_encoding(tmp_path, encoding):
    dbc = load(tmp_path, PLAIN.replace('"A"', '"°C"'), encoding=encoding)
    assert dbc.messages[0].signal("Current").unit == "°C"


def test_overlapping_signals_are_used_and_said_to_be(tmp_path):
    dbc = load(tmp_path, PLAIN.replace("SG_ State : 32|4", "SG_ State : 4|4"))
    assert dbc.faults == ("the signals Voltage and State are overlapping in message Pack; all are used",)
    assert len(dbc.messages) == 2
    # A big-endian signal from bit 23 takes bits 16 to 23, then 24 to 31.
    assert "Current and State" in load(tmp_path, PLAIN.replace("SG_ State : 32|4", "SG_ State : 28|4")).faults[0]
    assert load(tmp_path, PLAIN.replace("SG_ State : 32|4", "SG_ State : 60|4")).faults == ()
    behind = load(tmp_path, PLAIN.replace("SG_ State : 32|4", "SG_ State : 61|4"))
    assert behind.faults == ("Pack.State does not fit in the 8 bytes of its message; used where sent",)
    assert behind.messages[0].signal("State").start_bit == 61


def test_signals_that_are_never_there_together_do_not_overlap(tmp_path):
    text = (
        'BO_ 1 M: 8 X\n SG_ Top M : 0|8@1+ (1,0) [0|0] "" X\n SG_ A m1 : 8|8@1+ (1,0) [0|0] "" X\n'
        ' SG_ B m2 : 8|8@1+ (1,0) [0|0] "" X\n'
    )
    assert load(tmp_path, text).faults == ()
    assert "Top and B" in load(tmp_path, text.replace("B m2 : 8", "B m2 : 7")).faults[0]


def test_an_identifier_of_more_than_11_bits_is_extended_though_not_marked_so(tmp_path):
    dbc = load(tmp_path, PLAIN.replace(" 256 ", " 4096 "))
    pack = dbc.messages[0]
    assert (pack.can_id, pack.is_extended) == (4096, True)
    assert pack.signal("Voltage").comment == "Terminal voltage"
    assert dict(pack.signal("State").choices) == {0: "Off", 1: "Ready"}
    assert dbc.faults == ("frame id 0x1000 is more than 11 bits in message Pack: taken as an extended one",)
    largest = load(tmp_path, PLAIN.replace(" 256 ", f" {0x1FFFFFFF} ")).messages[0]
    assert (largest.can_id, largest.is_extended) == (0x1FFFFFFF, True)
    assert not load(tmp_path, PLAIN.replace(" 256 ", f" {0x7FF} ")).messages[0].is_extended


@pytest.mark.parametrize("number", [0x20000000, 0x7FFFFFFF, 0xA0000000, 0xFFFFFFFF])
def test_a_number_that_is_no_identifier_costs_its_message(tmp_path, number):
    dbc = load(tmp_path, PLAIN.replace("BO_ 256 ", f"BO_ {number} "))
    assert any(f"frame id 0x{number:x} is no identifier in message Pack" in fault for fault in dbc.faults)
    assert [message.name for message in dbc.messages] == ["Motor"]


def test_a_signal_that_cannot_be_decoded_costs_itself(tmp_path):
    signals = ' SG_ Long : 0|80@1+ (1,0) [0|0] "" X\n SG_ Short : 80|8@1+ (1,0) [0|0] "" X\n'
    dbc = load(tmp_path, "BU_: X\nBO_ 1 M: 64 X\n" + signals)
    assert [signal.name for signal in dbc.messages[0].signals] == ["Short"]
    assert dbc.faults == ("M.Long: it is 80 bits long, and 1 to 64 can be decoded, so it is left out",)


@pytest.mark.parametrize(
    ("spoilt", "line", "left"),
    [
        (("BO_ 2566834709", "BO_ oops"), 7, ["Pack"]),
        (("SG_ State : 32|4@1+ (1,0)", "SG_ State : 32|4@1+ (1,,0)"), 6, ["Pack", "Motor"]),
        (("CM_ SG_ 256 Voltage", "CM_ SG_ 256"), 9, ["Pack", "Motor"]),
    ],
)
def test_a_statement_that_cannot_be_read_costs_itself_and_is_named_with_its_line(tmp_path, spoilt, line, left):
    assert spoilt[0] in PLAIN
    dbc = load(tmp_path, PLAIN.replace(*spoilt))
    assert f"line {line} cannot be read and is left out" in dbc.faults[0]
    assert [message.name for message in dbc.messages] == left
    assert dbc.messages[0].signals


def test_any_number_of_faults_is_mended_in_one_pass_and_listed(tmp_path):
    spoilt = "".join(f' SG_ Bad{k} : 0|8@1+ (1,,0) [0|0] "" X\nCM_ SG_ 256 oops;\n' for k in range(300))
    dbc = load(tmp_path, PLAIN.replace("BO_ 2566834709", f"{spoilt}BO_ 2566834709"))
    assert [message.name for message in dbc.messages] == ["Pack", "Motor"]
    assert len(dbc.messages[0].signals) == 3
    assert [int(fault.split()[1]) for fault in dbc.faults] == list(range(7, 607))
    assert all("cannot be read and is left out: " in fault for fault in dbc.faults)
    many = load(tmp_path, PLAIN + "CM_ oops\n" * (MOST_FAULTS + 7))
    assert len(many.faults) == MOST_FAULTS + 1
    assert many.faults[-1] == "and 7 more faults"


def test_what_is_about_no_signal_is_listed(tmp_path):
    dbc = load(tmp_path, PLAIN + 'VAL_ 256 Nope 1 "On" ;\nSIG_VALTYPE_ 9 Speed : 1;\n' + "odd words\n")
    assert dbc.faults == (
        "line 14 cannot be read and is left out: odd words",
        "line 12: VAL_ is about a signal 256 Nope that is not defined, and is left out",
        "line 13: SIG_VALTYPE_ is about a signal 9 Speed that is not defined, and is left out",
    )


def test_a_word_for_a_value_that_no_signal_can_have_is_left_out(tmp_path):
    dbc = load(tmp_path, PLAIN.replace('1 "Ready"', f'1 "Ready" 1e999 "Never" {2**64} "Nor this"'))
    assert dict(dbc.messages[0].signal("State").choices) == {0: "Off", 1: "Ready"}


def test_one_line_without_breaks_and_comments_that_look_like_statements_are_read(tmp_path):
    odd = PLAIN.replace("Terminal voltage", 'say \\"BO_ 1 x\\"\nBO_ 7 Fake: 8 X\n; end').replace("BU_: X\n", "BU_: X ")
    dbc = load(tmp_path, "// a remark\nNS_ :\n\tNS_DESC_\n\tCM_\nBS_:\n" + odd)
    assert dbc.faults == ()
    assert dbc.messages[0].signal("Voltage").comment == 'say "BO_ 1 x"\nBO_ 7 Fake: 8 X\n; end'
    assert len(dbc.messages) == 2


SIGNAL = ' SG_ S%d : %d|3@1+ (1,0) [0|0] "" X\n'
HOSTILE = {
    "a message of 65,535 bytes": "BO_ 1 M: 65535 X\n" + SIGNAL % (0, 0),
    "ranges of selector values": 'BO_ 1 M: 8 X\n SG_ T M : 0|8@1+ (1,0) [0|0] "" X\n'
    + "".join(f' SG_ D{k} m0 : 8|8@1+ (1,0) [0|0] "" X\n' for k in range(500))
    + "".join(f"SG_MUL_VAL_ 1 D{k} T 0-4294967295, 1-60000;\n" for k in range(500)),
    "selectors of selectors": "BO_ 1 M: 64 X\n"
    + "".join(f' SG_ S{k} m1M : {k % 448}|8@1+ (1,0) [0|0] "" X\n' for k in range(500))
    + "".join(f"SG_MUL_VAL_ 1 S{k + 1} S{k} 1-1;\n" for k in range(499)),
    "quotes": "BO_ 1 M: 8 X\n" + SIGNAL % (0, 0) + 'CM_ "\n' * 20_001,
    "escapes": "BO_ 1 M: 8 X\n" + SIGNAL % (0, 0) + 'CM_ "' + '\\"' * 50_000,
    "no semicolons": "BO_ 1 M: 8 X\n" + SIGNAL % (0, 0) + "CM_ aaaa\n" * 20_000,
    "blanks": "BO_ 1 M: 8 X\n" + SIGNAL % (0, 0) + "BO_ " + " \n" * 100_000 + "x",
    "digits": "BO_ 1 M: 8 X\n" + SIGNAL % (0, 0) + f' SG_ A : 0|8@1+ ({"9" * 100_000},0) [0|0] "" X\n',
    "1,000 messages of 20 signals": "".join(
        f"BO_ {0x80000000 + k} M{k}: 8 X\n" + "".join(SIGNAL % (j, 3 * j) for j in range(20)) for k in range(1000)
    ),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_dbc_costs_little_time(name, tmp_path):
    # Each took from a minute to for ever, or gigabytes, before; seconds leave room for a slow machine.
    began = time.process_time()
    messages, _ = compile_dbc(HOSTILE[name].encode(), tmp_path / "x.dbc")
    assert time.process_time() - began < 5.0
    assert messages[0].signals


def test_a_range_of_selector_values_stays_a_range(tmp_path):
    dbc = load(tmp_path, HOSTILE["ranges of selector values"])
    assert dbc.messages[0].signal("D7").conditions == (MuxCondition("T", ((0, 4294967295),)),)


def test_more_signals_than_any_vehicle_has_are_refused(tmp_path, monkeypatch):
    for module in (loading, loading.read_statements.__globals__):
        target = module if isinstance(module, dict) else vars(module)
        monkeypatch.setitem(target, "MOST_SIGNALS", 3)
    with pytest.raises(DbcError, match="more than 3 signals"):
        load(tmp_path, PLAIN)


def test_a_syntax_error_that_leaves_nothing_is_given_with_its_line(tmp_path):
    with pytest.raises(DbcError, match=r"cannot be read|no signal that can be decoded"):
        load(tmp_path, "BU_: X\nBO_ oops M: 8 X\n")


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "this is no DBC"),
        ("\x00\x01binary", "this is no DBC"),
        ("\x00".join("BO_ 1 M: 8 X"), r"written in UTF-16 or UTF-32\. Save it as UTF-8"),
        ("BU_: X\nBO_ 1 M: 8 X\n", "no signal that can be decoded"),
        ('BO_ 1 M: 8 X\n SG_ A m1 : 0|8@1+ (1,0) [0|0] "" X\n', "its multiplexer is not defined"),
        (' SG_ A : 0|8@1+ (1,0) [0|0] "" X\nBO_ 1 M: 8 X\n', "belongs to no message"),
    ],
)
def test_what_cannot_be_used_is_refused_with_the_reason(tmp_path, text, problem):
    with pytest.raises(DbcError, match=problem):
        load(tmp_path, text)


def test_a_path_that_is_no_file_is_refused(tmp_path):
    with pytest.raises(DbcError, match="no such DBC"):
        load_dbc(tmp_path / "missing.dbc")
    with pytest.raises(DbcError, match="not a file"):
        load_dbc(tmp_path)


J1939 = (
    'BU_: X\nBO_ 2566864126 Broadcast: 8 X\n SG_ A : 0|8@1+ (1,0) [0|0] "" X\n'
    'BO_ 2565819134 Addressed: 8 X\n SG_ B : 0|8@1+ (1,0) [0|0] "" X\n'
    'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
    'BA_DEF_DEF_ "VFrameFormat" "J1939PG";\n'
)


@pytest.mark.from_memory("SAE J1939-21: PDU1 and PDU2 formats")
def test_j1939_identifiers_are_matched_by_their_parameter_group(tmp_path):
    index = LayoutIndex(load(tmp_path, J1939).messages)
    broadcast, addressed = index.messages
    # PDU format 0xFF: the next byte belongs to the group; priority and source address do not count.
    assert index.find(broadcast.can_id & ~0x1C0000FF | 0x0C000011, True) is broadcast
    assert index.find(broadcast.can_id ^ 0x0100, True) is None
    # PDU format 0xEF: the next byte is a destination.
    assert index.find(addressed.can_id & ~0xFFFF | 0x2211, True) is addressed
    assert index.find(addressed.can_id, False) is None


def test_without_the_declaration_only_the_exact_identifier_counts(tmp_path):
    index = LayoutIndex(load(tmp_path, J1939.replace('"J1939PG";\n', '"ExtendedCAN";\n', 2)).messages)
    assert index.find(0x18FF3C11, True) is None


@pytest.mark.registry
def test_every_dbc_of_the_parsers_own_tests_loads_or_is_refused_with_a_reason():
    paths = sorted(registry_folder("cantools", "tests/files/dbc").glob("*.dbc"))
    outcomes = [_loaded_or_refused(path) for path in paths]
    loaded = [outcome for outcome in outcomes if not isinstance(outcome, DbcError)]
    assert len(loaded) > 50
    assert all(LayoutIndex(dbc.messages).messages for dbc in loaded)
    assert all(_loaded_or_refused(dbc.path) == dbc for dbc in loaded)
    assert all(error.problem and error.remedy for error in outcomes if isinstance(error, DbcError))


@pytest.mark.registry
def test_every_property_is_the_one_that_the_parser_reads():
    """cantools, which the code does not use, is the outside check: every signal of every DBC of its own tests."""
    compared = 0
    for path in sorted(registry_folder("cantools", "tests/files/dbc").glob("*.dbc")):
        try:
            theirs = cantools.database.load_file(path, encoding="cp1252", cache_dir=None)
            if not any(message.signals for message in theirs.messages):
                continue
        except Exception:
            continue
        ours = {(m.can_id, m.is_extended, m.name): m for m in compile_dbc(path.read_bytes(), path)[0]}
        for message in theirs.messages:
            mine = ours[message.frame_id, message.is_extended_frame, message.name]
            assert (mine.length, mine.is_j1939) == (message.length, message.protocol == "j1939"), path.name
            assert [signal.name for signal in mine.signals] == [signal.name for signal in message.signals], path.name
            for signal, other in zip(mine.signals, message.signals, strict=True):
                assert (signal.start_bit, signal.bit_length, signal.byte_order.value) == (
                    other.start, other.length, other.byte_order,
                )  # fmt: skip
                assert (signal.scale, signal.offset, signal.is_signed, signal.is_float) == (
                    other.scale, other.offset, other.is_signed, other.conversion.is_float,
                )  # fmt: skip
                assert dict(signal.choices) == {k: str(v) for k, v in (other.choices or {}).items()}
                assert signal.minimum in (None, other.minimum)
                assert signal.maximum in (None, other.maximum and float(other.maximum))
                selected = {v for first, last in signal.conditions[0].ranges for v in range(first, last + 1)} if (
                    signal.conditions) else set()  # fmt: skip
                assert selected == set(other.multiplexer_ids or ()), (path.name, signal.name)
                compared += 1
    assert compared > 1000


def _loaded_or_refused(path):
    try:
        return load_dbc(path)
    except DbcError as error:
        return error
