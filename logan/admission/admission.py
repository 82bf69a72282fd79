"""For each use of a drive: whether it may be used, which spans are kept out, and why. Words and numbers, no samples."""

from collections.abc import Mapping
from dataclasses import field

from logan.results import Refusal, Span, result


@result("kept-out/1")
class KeptOut:
    """What one use must do without, and why.

    Parameters
    ----------
    use : str
        A metric of ``logan.quality.grades.METRIC_CHANNELS``, such as ``consumption`` or ``fit``.
    reason, remedy : str
        In plain words.
    spans : tuple of Span
        Only these; empty means the whole drive.
    is_missing : bool
        True where the channels are not logged at all, which no reason of the user's can mend.
    """

    use: str
    reason: str
    remedy: str = ""
    spans: tuple[Span, ...] = ()
    is_missing: bool = False


@result("admission/1")
class Admission:
    """What a drive may be used for; whoever uses a drive asks this and nothing else.

    Parameters
    ----------
    kept_out : tuple of KeptOut
        One entry per use that is refused, or that loses spans; a use without one is admitted whole.
    untrusted : mapping of str to str
        Channels whose values must not be used for anything, each with the reason.
    remarks : tuple of str
        What belongs beside the drive's error, such as a load that nobody logged with its energy.
    channels_out : mapping of str to KeptOut
        Channels that are held against no limit, wholly or within spans, and why.
    doubts_wh_per_km : mapping of str to float
        What findings that are neither put right nor refused would change of the consumption; by title. [Wh/km]
    """

    kept_out: tuple[KeptOut, ...] = ()
    untrusted: Mapping[str, str] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    channels_out: Mapping[str, KeptOut] = field(default_factory=dict)
    doubts_wh_per_km: Mapping[str, float] = field(default_factory=dict)

    def refused(self, use: str) -> KeptOut | None:
        """What keeps the whole drive from a use; None where it may be used."""
        return next((entry for entry in self.kept_out if entry.use == use and not entry.spans), None)

    def spans_out(self, use: str) -> tuple[Span, ...]:
        """Spans that a use must do without."""
        return tuple(span for entry in self.kept_out if entry.use == use for span in entry.spans)

    @property
    def refusals(self) -> dict[str, Refusal]:
        """Refused uses by name, as figures carry them."""
        return {entry.use: Refusal(entry.reason, entry.remedy) for entry in self.kept_out if not entry.spans}
