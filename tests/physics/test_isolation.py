import pytest

from logan.physics.battery import required_isolation_ohm


@pytest.mark.published("UN R100, 5.1.3.1 and 5.1.3.2")
def test_required_isolation_of_a_400_v_pack():
    assert required_isolation_ohm(400.0, is_combined=False) == 40_000.0
    assert required_isolation_ohm(400.0, is_combined=True) == 200_000.0
