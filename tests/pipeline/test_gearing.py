from logan.pipeline.heat import learned_heat
from tests.builds import example_build


class Empty:
    def drives(self):
        return iter(())


def test_without_drives_nothing_is_learned_and_the_rating_stands():
    assert learned_heat(Empty(), example_build(), None) is None
