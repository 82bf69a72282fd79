"""What the suggestions promise on DBCs that nobody here made."""

import pytest

from tests.benchmarks.channels.suggestion import Tally, dbc_files, first_shares, sure_shares


@pytest.mark.registry
@pytest.mark.slow
def test_what_is_sure_is_right_and_key_channels_are_offered_first(capsys):
    files, tally = dbc_files(), Tally()
    first_shares(files, tally)
    right, sure, all_right, wrong = sure_shares(files)
    with capsys.disabled():
        print(f"\nfirst {tally.right.total()}/{tally.asked.total()}, sure {right}/{sure}, recall {right}/{all_right}")
    assert tally.right.total() >= 0.75 * tally.asked.total()
    assert min(tally.right[name] / tally.asked[name] for name in tally.asked) >= 0.75
    assert sure > 150
    assert len(wrong) <= 0.03 * sure, wrong
