"""A build's folder: where its settings, channels, drives, plans and reports are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from logan.errors import ConfigurationError

if TYPE_CHECKING:
    from logan.model.measurement import Measurement
    from logan.settings import BuildSettings, ChannelMap
    from logan.units import DisplayUnits

BUILD_FILE = "build.toml"
CHANNELS_FILE = "channels.toml"
MEASUREMENTS_FILE = "measurements.toml"


@dataclass(frozen=True, slots=True)
class BuildFolder:
    """The places of one build.

    Parameters
    ----------
    path : Path
        The folder that holds ``build.toml``.
    """

    path: Path

    @property
    def settings_file(self) -> Path:
        """``build.toml``."""
        return self.path / BUILD_FILE

    @property
    def channels_file(self) -> Path:
        """``channels.toml``."""
        return self.path / CHANNELS_FILE

    @property
    def measurements_file(self) -> Path:
        """``measurements.toml``; may be missing."""
        return self.path / MEASUREMENTS_FILE

    @property
    def library(self) -> Path:
        """Folder of the drive library."""
        return self.path / "drives"

    @property
    def plans(self) -> Path:
        """Folder of the frozen plans."""
        return self.path / "plans"

    @property
    def reports(self) -> Path:
        """Folder of the reports."""
        return self.path / "reports"

    def settings(self) -> BuildSettings:
        """Read and check ``build.toml``, and what was compared with the sensors in ``measurements.toml``.

        Raises
        ------
        ConfigurationError
            With every problem found.
        """
        from logan.configuration.build import read_build

        build = read_build(self.settings_file)
        if not self.measurements_file.is_file():
            return build
        from logan.configuration.measurements import read_readings

        return replace(build, instruments=replace(build.instruments, readings=read_readings(self.measurements_file)))

    def certificate(self) -> Mapping[str, str]:
        """What the builder entered for the certificate, word by word.

        Raises
        ------
        ConfigurationError
            With every problem found.
        """
        from logan.configuration.build import certificate_entries

        return certificate_entries(self.settings_file)

    def channel_map(self) -> ChannelMap:
        """Read and check ``channels.toml``.

        Raises
        ------
        ConfigurationError
            With every problem found.
        """
        from logan.configuration.channel_map import read_channel_map

        return read_channel_map(self.channels_file)

    def measurements(self) -> tuple[Measurement, ...]:
        """Read and check ``measurements.toml``, beside the certified B of the build; nothing without such a file.

        Raises
        ------
        ConfigurationError
            With every problem found.
        """
        from logan.configuration.measurements import read_measurements
        from logan.model.plan import plan_of

        measured = read_measurements(self.measurements_file)
        linear = plan_of(self.settings()).linear_n_s_per_m if measured else 0.0
        return tuple(replace(one, linear_n_s_per_m=linear) for one in measured)


def find_build(path: Path) -> BuildFolder:
    """Find the build at a folder, or at the nearest folder above it.

    Raises
    ------
    ConfigurationError
        If there is none.
    """
    start = path.resolve()
    for folder in (start, *start.parents):
        if (folder / BUILD_FILE).is_file():
            return BuildFolder(folder)
    raise ConfigurationError("there is no build here or above", "Make one with: logan new FOLDER", path)


def shown_units(path: Path) -> DisplayUnits:
    """Units that a build is shown in; the default where there is no readable build."""
    from logan.configuration.problems import display_units_of
    from logan.units import DisplayUnits

    try:
        return display_units_of(find_build(path).settings_file)
    except ConfigurationError:
        return DisplayUnits()


def new_build(folder: Path, units: DisplayUnits | None = None) -> tuple[Path, ...]:
    """Make the folder of a new build from the templates; nothing that stands is overwritten.

    Parameters
    ----------
    folder : Path
        Folder to make.
    units : DisplayUnits, optional
        What the settings are written in, and everything is shown in; the US system where left out.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    ConfigurationError
        If a build stands there already, or the folder cannot be written.
    """
    build = BuildFolder(folder)
    if any(file.exists() for file in (build.settings_file, build.channels_file, build.measurements_file)):
        raise ConfigurationError("a build stands here already", "Choose another folder, or edit that one", folder)
    from logan.configuration.template import template

    try:
        folder.mkdir(parents=True, exist_ok=True)
        written = []
        for target in (build.settings_file, build.channels_file, build.measurements_file):
            with target.open("x", encoding="utf-8") as stream:
                stream.write(template(target.name, units))
            written.append(target)
    except OSError as error:
        raise ConfigurationError(f"cannot write there: {error.strerror}", "Choose another folder", folder) from None
    return tuple(written)


def dbcs_near(path: Path) -> tuple[tuple[Path, ...], Mapping[str, tuple[Path, ...]]]:
    """DBCs of the build at or above a folder; none where there is no readable build."""
    try:
        build = find_build(path).settings()
    except ConfigurationError:
        return (), {}
    return build.dbc_paths, build.dbc_by_bus
