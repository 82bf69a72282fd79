from types import SimpleNamespace

import numpy as np

from logan.pipeline.gearing import learned_heat
from tests.builds import example_build


class Empty:
    def drives(self):
        return iter(())


def test_without_drives_nothing_is_learned_and_the_rating_stands():
    assert learned_heat(Empty(), example_build(), None) is None
    fit = SimpleNamespace(posterior=SimpleNamespace(median=np.array([1800.0, 1.0, 0.01, 0.87, 0.8, 400.0])))
    assert learned_heat(Empty(), example_build(), fit) is None
