import pytest
from hypothesis import given, settings, strategies as st

from logan.channels.vocabulary import channel_names
from logan.configuration.channel_map import read_channel_map
from logan.errors import ConfigurationError
from logan.pipeline.channels import write_channel_map
from logan.settings import ChannelMap, ChannelSource

COMMENTED = """\
# My van, second logger.

[channels.pack_current]  # the shunt
signal = "battery/PackStatus.Current" # not the estimate
unit = 'A'
sign = -1

# From the wheels; the dash reads 5 % high.
[channels.speed]
signal = "Abs.Speed"
not_available = [655.35]
"""


@pytest.fixture
def path(tmp_path):
    return tmp_path / "channels.toml"


def test_a_map_is_read_with_its_overrides(path):
    path.write_text(COMMENTED)
    assert read_channel_map(path) == ChannelMap(
        (
            ChannelSource(channel="pack_current", signal="battery/PackStatus.Current", unit="A", sign=-1),
            ChannelSource(channel="speed", signal="Abs.Speed", not_available=(655.35,)),
        )
    )


def test_writing_it_back_changes_not_a_letter(path):
    path.write_text(COMMENTED)
    write_channel_map(path, read_channel_map(path))
    assert path.read_text() == COMMENTED


def test_comments_stay_when_channels_change(path):
    path.write_text(COMMENTED)
    current, speed = read_channel_map(path).sources
    changed = ChannelSource(channel="pack_current", signal="Other.Current", unit="A", delay_s=0.2)
    added = ChannelSource(channel="pack_voltage", signal="V", unit="V")
    write_channel_map(path, ChannelMap((changed, speed, added)), remarks={"pack_voltage": "suggested:\nit sags"})
    text = path.read_text()
    assert "# My van, second logger." in text
    assert '[channels.pack_current]  # the shunt\nsignal = "Other.Current" # not the estimate' in text
    assert "sign = " not in text.split("[channels.speed]")[0]
    assert "delay_s = 0.2\n\n# From the wheels; the dash reads 5 % high.\n[channels.speed]" in text
    assert "[channels.pack_voltage]\n# suggested: it sags\n" in text
    assert read_channel_map(path) == ChannelMap((changed, speed, added))
    assert current.sign == -1


def test_a_channel_taken_out_of_the_map_is_taken_out_of_the_file(path):
    path.write_text(COMMENTED)
    write_channel_map(path, ChannelMap(read_channel_map(path).sources[1:]))
    assert [source.channel for source in read_channel_map(path).sources] == ["speed"]


def test_every_problem_is_said_at_once_with_its_key_and_the_nearest_name(path):
    path.write_text(
        """
[chanels.x]
[channels.pack_curent]
signal = 3
sgn = -1
[channels.speed]
unit = "counts"
scale = 0
sign = 2
[channels.motor_torque]
signal = "T"
byte_order = "middle"
delay_s = 1e9
signed = "yes"
not_available = ["x"]
"""
    )
    with pytest.raises(ConfigurationError) as caught:
        read_channel_map(path)
    problems = "\n".join(caught.value.problems)
    for expected in (
        "chanels: unknown key; did you mean channels?",
        "channels.pack_curent: unknown channel; did you mean pack_current?",
        "channels.pack_curent.sgn: unknown key; did you mean sign?",
        "channels.pack_curent.signal: expected a text",
        "channels.speed.signal: missing",
        "channels.speed.unit: 'counts' is no known unit of road speed; use for example km/h, mph",
        "channels.speed.scale: expected a number other than 0, got 0",
        "channels.speed.sign: expected 1 or -1",
        "channels.motor_torque.byte_order",
        "channels.motor_torque.delay_s: expected -3600 to 3600 s",
        "channels.motor_torque.signed: expected true or false",
        "channels.motor_torque.not_available",
    ):
        assert expected in problems


@pytest.mark.parametrize("content", ["channels = 3", "[channels]\nspeed = 3", "x ="])
def test_a_file_that_is_no_map_is_refused(path, content):
    path.write_text(content)
    with pytest.raises(ConfigurationError):
        read_channel_map(path)


def test_a_broken_file_is_never_overwritten(path):
    path.write_text("[channels.speed\n")
    with pytest.raises(ConfigurationError, match="not valid TOML"):
        write_channel_map(path, ChannelMap())
    assert path.read_text() == "[channels.speed\n"


numbers = st.floats(-1e6, 1e6)
sources = st.builds(
    ChannelSource,
    channel=st.sampled_from(channel_names()),
    signal=st.text(min_size=1, max_size=40).filter(lambda text: text.isprintable()),
    sign=st.sampled_from([1, -1]),
    scale=numbers.filter(bool),
    offset=numbers,
    not_available=st.lists(numbers, max_size=3).map(tuple),
    signed=st.sampled_from([None, True, False]),
    byte_order=st.sampled_from(["", "little_endian", "big_endian"]),
    delay_s=st.floats(-3600, 3600),
    is_averaged=st.booleans(),
)


@settings(deadline=None, max_examples=40)
@given(st.lists(sources, max_size=6, unique_by=lambda source: source.channel))
def test_what_is_written_is_what_is_read(tmp_path_factory, written):
    path = tmp_path_factory.mktemp("map") / "channels.toml"
    write_channel_map(path, ChannelMap(tuple(written)))
    assert read_channel_map(path) == ChannelMap(tuple(written))
    write_channel_map(path, ChannelMap(tuple(reversed(written))))
    assert set(read_channel_map(path).sources) == set(written)
