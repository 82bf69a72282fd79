"""Faults of the bus itself, counted while frames stream by: error frames, silence, clashing identifiers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from logan.flags import DataFlag, Severity, Span
from logan.frames.table import FrameTable
from logan.quality.runs import MAX_SPANS, when
from logan.units import IntArray

_NS: Final = 1_000_000_000
_SILENCE_NS: Final = 2 * _NS
_BURST: Final = 50


@dataclass(slots=True)
class FrameWatch:
    """Counts what only frames show; feed it every block in the order of the log.

    Memory does not grow with the log: counts, the identifiers seen, and at most
    ``MAX_SPANS`` spans of each fault are kept.
    """

    frame_count: int = 0
    error_count: int = 0
    echo_count: int = 0
    longest_burst: int = 0
    _first_ns: int | None = None
    _last_ns: int = 0
    _error_spans: list[Span] = field(default_factory=list)
    _silences: list[Span] = field(default_factory=list)
    _standard: set[int] = field(default_factory=set)
    _extended: set[int] = field(default_factory=set)

    def add(self, block: FrameTable) -> None:
        """Look at one block of frames."""
        if len(block) == 0:
            return
        if self._first_ns is None:
            self._first_ns = self._last_ns = int(block.time_ns[0])
        self.frame_count += len(block)
        self._count_errors(block)
        self._find_silence(block.time_ns)
        data = ~np.asarray(block.is_error)
        self._standard.update(np.unique(block.can_id[data & ~block.is_extended]).tolist())
        self._extended.update(np.unique(block.can_id[data & block.is_extended]).tolist())
        self._count_echoes(block)
        self._find_burst(block)
        self._last_ns = int(block.time_ns[-1])

    def _second(self, time_ns: int) -> float:
        return (time_ns - (self._first_ns or 0)) / _NS

    def _count_errors(self, block: FrameTable) -> None:
        at = np.flatnonzero(block.is_error)
        self.error_count += int(at.size)
        for index in at[: max(MAX_SPANS - len(self._error_spans), 0)].tolist():
            moment_s = self._second(int(block.time_ns[index]))
            if self._error_spans and moment_s - self._error_spans[-1].end_s < 1.0:
                self._error_spans[-1] = Span(self._error_spans[-1].start_s, moment_s)
            else:
                self._error_spans.append(Span(moment_s, moment_s))

    def _find_silence(self, time_ns: IntArray) -> None:
        before = np.concatenate(([self._last_ns], time_ns[:-1]))
        for index in np.flatnonzero(time_ns - before > _SILENCE_NS).tolist():
            if len(self._silences) < MAX_SPANS:
                self._silences.append(Span(self._second(int(before[index])), self._second(int(time_ns[index]))))

    def _count_echoes(self, block: FrameTable) -> None:
        """Frames equal to the one before them within a millisecond, on whatever bus."""
        same = (block.can_id[1:] == block.can_id[:-1]) & (np.abs(np.diff(block.time_ns)) < 1_000_000)
        same &= (block.length[1:] == block.length[:-1]) & ~block.is_error[1:]
        at = np.flatnonzero(same)
        self.echo_count += int(np.all(block.payload[at + 1] == block.payload[at], axis=1).sum()) if at.size else 0

    def _find_burst(self, block: FrameTable) -> None:
        """Longest run of one identifier: a babbling device, or a bus with one device left."""
        edges = np.flatnonzero(np.diff(block.can_id.astype(np.int64))) + 1
        lengths = np.diff(np.concatenate(([0], edges, [len(block)])))
        self.longest_burst = max(self.longest_burst, int(lengths.max()))

    def flags(self) -> tuple[DataFlag, ...]:
        """What was found up to now."""
        found = (self._error_flag(), self._silence_flag(), self._clash_flag(), self._echo_flag(), self._burst_flag())
        return tuple(flag for flag in found if flag is not None)

    def _error_flag(self) -> DataFlag | None:
        if self.error_count < 3:
            return None
        share = self.error_count / max(self.frame_count, 1)
        spans = tuple(self._error_spans)
        return DataFlag(
            code="error_frames",
            severity=Severity.RED if share > 0.01 else Severity.AMBER,
            channels=(),
            title="The bus reports error frames",
            evidence=f"{self.error_count} of {self.frame_count} frames; {when(spans)}",
            remedy="Check termination (60 ohm between the two wires, power off), bit rate, and cable near the inverter",
            spans=spans,
        )

    def _silence_flag(self) -> DataFlag | None:
        if not self._silences:
            return None
        longest_s = max(span.duration_s for span in self._silences)
        return DataFlag(
            code="bus_silent",
            severity=Severity.AMBER,
            channels=(),
            title="The bus was silent for a while",
            evidence=f"{len(self._silences)} times, up to {longest_s:.1f} s; {when(tuple(self._silences))}",
            remedy="A device went bus-off, the key was turned, or the logger lost its supply: see what happened then",
            spans=tuple(self._silences),
        )

    def _clash_flag(self) -> DataFlag | None:
        clash = sorted(self._standard & self._extended)
        if not clash:
            return None
        return DataFlag(
            code="identifier_clash",
            severity=Severity.AMBER,
            channels=(),
            title="One identifier is used as standard and as extended",
            evidence=f"0x{clash[0]:X} and {len(clash) - 1} more" if len(clash) > 1 else f"0x{clash[0]:X}",
            remedy="The two are different messages: check that the DBC says for each whether it is extended",
        )

    def _echo_flag(self) -> DataFlag | None:
        if self.echo_count < 10 or self.echo_count < 0.01 * self.frame_count:
            return None
        return DataFlag(
            code="frames_echoed",
            severity=Severity.AMBER,
            channels=(),
            title="Frames come twice within a millisecond",
            evidence=f"{100 * self.echo_count / self.frame_count:.0f} % of the frames repeat the one before",
            remedy="Two loggers or a gateway echo the bus: log one of them; the repeats are dropped",
            effect_wh_per_km=0.0,
        )

    def _burst_flag(self) -> DataFlag | None:
        if self.longest_burst < _BURST or len(self._standard) + len(self._extended) < 3:
            return None
        return DataFlag(
            code="identifier_burst",
            severity=Severity.AMBER,
            channels=(),
            title="One device floods the bus",
            evidence=f"{self.longest_burst} frames of one identifier follow each other",
            remedy="Find the device that sends without pause; other messages are late or lost meanwhile",
        )


def find_frame_flags(blocks: list[FrameTable]) -> tuple[DataFlag, ...]:
    """Faults of the bus in blocks of frames that are all at hand."""
    watch = FrameWatch()
    for block in blocks:
        watch.add(block)
    return watch.flags()
