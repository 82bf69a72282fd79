import json

import pytest

from logan.dbc import loading, plan_cache
from logan.dbc.layouts import message_layouts
from logan.dbc.loading import load_dbc
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


@pytest.fixture
def cache(tmp_path):
    return tmp_path / "cache"


def load(tmp_path, text, cache=None, *, encoding="utf-8"):
    path = tmp_path / "test.dbc"
    path.write_bytes(text.encode(encoding))
    return load_dbc(path, cache_folder=cache or tmp_path / "cache")


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


def test_a_plan_is_kept_and_used_again_without_parsing(tmp_path, cache, monkeypatch):
    first = load(tmp_path, PLAIN, cache)
    monkeypatch.setattr(loading, "compile_dbc", None)
    assert load(tmp_path, PLAIN, cache) == first


def test_another_content_is_another_plan(tmp_path, cache):
    load(tmp_path, PLAIN, cache)
    assert load(tmp_path, PLAIN.replace("0.1,0", "0.2,0"), cache).messages[0].signal("Voltage").scale == 0.2


DAMAGES = (lambda body: body[:-9], lambda body: body.replace(b"Voltage", b"Voltagf"), lambda body: b"")


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_plan_is_made_anew(tmp_path, cache, damage):
    first = load(tmp_path, PLAIN, cache)
    (plan,) = cache.iterdir()
    plan.write_bytes(damage(plan.read_bytes()))
    assert load(tmp_path, PLAIN, cache) == first


def test_a_plan_is_plain_json(tmp_path, cache):
    load(tmp_path, PLAIN, cache)
    (plan,) = cache.iterdir()
    assert json.loads(plan.read_bytes().split(b"\n", 1)[1])["faults"] == []


def test_a_cache_that_cannot_be_written_is_no_error(tmp_path):
    (tmp_path / "file").write_text("not a folder")
    assert load(tmp_path, PLAIN, tmp_path / "file" / "cache").messages


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
def test_units_survive_every_encoding(tmp_path, encoding):
    dbc = load(tmp_path, PLAIN.replace('"A"', '"°C"'), encoding=encoding)
    assert dbc.messages[0].signal("Current").unit == "°C"


def test_overlapping_signals_are_loaded_with_the_fault_named(tmp_path):
    dbc = load(tmp_path, PLAIN.replace("SG_ State : 32|4", "SG_ State : 4|4"))
    assert "overlapping in message Pack" in dbc.faults[0]
    assert len(dbc.messages) == 2


def test_a_message_that_cannot_be_used_costs_itself(tmp_path):
    dbc = load(tmp_path, PLAIN.replace("BO_ 256 ", "BO_ 4096 "))
    assert "more than 11 bits in message Pack" in dbc.faults[0]
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
    assert f"at line {line}," in dbc.faults[0]
    assert [message.name for message in dbc.messages] == left
    assert dbc.messages[0].signals


def test_every_message_without_an_identifier_is_named(tmp_path):
    more = "".join(f'BO_ {5000 + k} Odd{k}: 8 X\n SG_ S{k} : 0|8@1+ (1,0) [0|0] "" X\n\n' for k in range(60))
    dbc = load(tmp_path, PLAIN.replace("BO_ 256 ", f"{more}BO_ 256 "))
    assert [message.name for message in dbc.messages] == ["Pack", "Motor"]
    assert all(any(f"message Odd{k}" in fault for fault in dbc.faults) for k in range(60))


def test_a_syntax_error_that_leaves_nothing_is_given_with_its_line(tmp_path):
    with pytest.raises(DbcError, match=r"cannot be read|no signal that can be decoded"):
        load(tmp_path, "BU_: X\nBO_ oops M: 8 X\n")


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "this is no DBC"),
        ("\x00\x01binary", "this is no DBC"),
        ("BU_: X\nBO_ 1 M: 8 X\n", "no signal that can be decoded"),
        (
            'BU_: X\nBO_ 1 M: 8 X\n SG_ T M : 0|8@1+ (1,0) [0|0] "" X\n SG_ D m0 : 8|8@1+ (1,0) [0|0] "" X\n'
            "SG_MUL_VAL_ 1 D T 0-4294967295;\n",
            "multiplexed over 0-4294967295",
        ),
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


@pytest.mark.published("SAE J1939-21: PDU1 and PDU2 formats (from memory)")
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
def test_every_dbc_of_the_parsers_own_tests_loads_or_is_refused_with_a_reason(tmp_path):
    paths = sorted(registry_folder("cantools", "tests/files/dbc").glob("*.dbc"))
    outcomes = [_loaded_or_refused(path, tmp_path) for path in paths]
    loaded = [outcome for outcome in outcomes if not isinstance(outcome, DbcError)]
    assert len(loaded) > 50
    assert all(LayoutIndex(dbc.messages).messages for dbc in loaded)
    assert all(_loaded_or_refused(dbc.path, tmp_path) == dbc for dbc in loaded)
    assert all(error.problem and error.remedy for error in outcomes if isinstance(error, DbcError))


def _loaded_or_refused(path, cache):
    try:
        return load_dbc(path, cache_folder=cache)
    except DbcError as error:
        return error


def test_the_cache_folder_follows_the_system_and_the_override(monkeypatch, tmp_path):
    monkeypatch.setenv("LOGAN_CACHE", str(tmp_path))
    assert plan_cache.default_folder() == tmp_path / "dbc"
    monkeypatch.delenv("LOGAN_CACHE")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setattr(plan_cache.sys, "platform", "linux")
    assert plan_cache.default_folder() == tmp_path / "logan" / "dbc"


def test_the_layouts_of_an_empty_database_are_empty():
    class Empty:
        dbc = None
        messages = ()

    assert message_layouts(Empty()) == ((), ())
