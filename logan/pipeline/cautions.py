"""The cautions that belong to limits, to tests on a road and to work on the pack, for every face."""

from logan.metrics.cautions import CAUTION_ALWAYS, CAUTION_HIGH_VOLTAGE, CAUTION_ROAD_TEST

__all__ = ["CAUTION_ALWAYS", "CAUTION_HIGH_VOLTAGE", "CAUTION_ROAD_TEST"]
