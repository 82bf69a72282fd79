"""A vehicle, a log and DBCs that nothing else here knows: an invented farm truck on two buses, of a simulator that
shares no code with the demo's. Both buses use one identifier, each for a message of its own; current is positive while
charging, speed is in mph, height in feet, outside in °F, and the log is in another dialect.
"""

import numpy as np

from tests.benchmarks.fit.other_structure import OtherVehicle, drive

TRACTION = """VERSION ""
BU_: HVB LOG
BO_ 673 HVB_Electric: 8 HVB
 SG_ HVB_TermVolt : 7|16@0+ (0.05,0) [0|900] "V" LOG
 SG_ HVB_TermAmps : 23|16@0- (0.1,0) [-1500|1500] "A" LOG
 SG_ HVB_Charge : 39|16@0+ (0.1,0) [0|100] "%" LOG
BO_ 2566844949 HVB_Thermal: 4 HVB
 SG_ HVB_HotCell : 7|8@0- (1,0) [-60|120] "degC" LOG
 SG_ HVB_ColdCell : 15|8@0- (1,0) [-60|120] "degC" LOG
CM_ SG_ 673 HVB_TermAmps "positive while charging";
CM_ SG_ 2566844949 HVB_HotCell "warmest cell";
CM_ SG_ 2566844949 HVB_ColdCell "coldest cell";
"""
BODY = """VERSION ""
BU_: BCM LOG
BO_ 673 BCM_Motion: 4 BCM
 SG_ BCM_RoadSpd : 0|16@1+ (0.01,0) [0|200] "mph" LOG
 SG_ BCM_Alt : 16|16@1- (1,0) [-2000|30000] "ft" LOG
BO_ 911 BCM_Weather: 4 BCM
 SG_ BCM_OutsideAir : 0|12@1- (0.1,0) [-100|150] "degF" LOG
 SG_ BCM_Baro : 12|12@1+ (0.5,0) [300|1200] "hPa" LOG
CM_ SG_ 911 BCM_OutsideAir "ambient temperature";
CM_ SG_ 673 BCM_Alt "altitude above sea level";
"""
MASS_KG, DRAG_AREA_M2 = 1900.0, 0.95


def big(*fields):
    """Bytes of fields of (value, bits), most significant first."""
    total = bits = 0
    for value, size in fields:
        total, bits = (total << size) | (int(value) & ((1 << size) - 1)), bits + size
    return total.to_bytes(bits // 8, "big")


def little(*fields):
    """Bytes of fields of (value, bits), least significant first."""
    total = bits = 0
    for value, size in fields:
        total, bits = total | ((int(value) & ((1 << size) - 1)) << bits), bits + size
    return total.to_bytes(-(-bits // 8), "little")


def write_strange(folder, seed=11, duration_s=1500.0):
    """Write log and DBCs; answer their paths, and the true consumption at the pack. [Wh/km]"""
    rng = np.random.default_rng(seed)
    truck = OtherVehicle.draw(rng, has_gnss=False)
    truck = OtherVehicle(**{**vars(truck), "mass_kg": MASS_KG, "drag_area_m2": DRAG_AREA_M2, "current_gain": 0.0})
    time_s, seen, energy_j, length_m = drive(truck, rng, kind="country", duration_s=duration_s, has_gnss=False)
    charge = 82.0 - 100.0 * np.cumsum(seen["pack_current"]) * (time_s[1] - time_s[0]) / 3600.0 / 160.0
    warm = 18.0 + 6.0 * time_s / time_s[-1]
    lines = ["date Fri Nov 17 09:30:00.000 am 2023", "base hex  timestamps absolute", "internal events logged"]
    for k, at in enumerate(time_s):
        volts = 350.0 - 0.05 * seen["pack_current"][k]
        amps = -seen["pack_current"][k] * 350.0 / volts
        frames = [
            (0.002, 1, "2A1", big((round(volts / 0.05), 16), (round(amps / 0.1), 16), (round(charge[k] * 10), 16))),
            (0.005, 2, "2A1", little((round(seen["speed"][k] / 0.44704 * 100), 16),
                                     (round(seen["elevation"][k] / 0.3048), 16))),
        ]  # fmt: skip
        if k % 10 == 0:
            fahrenheit = seen["ambient_temperature"][k] * 1.8 + 32.0
            frames += [
                (0.007, 1, "18FEF215x", big((round(warm[k]), 8), (round(warm[k] - 2.0), 8))),
                (0.009, 2, "38F", little((round(fahrenheit * 10), 12), (round(1013.25 * 2), 12))),
            ]
        for late, bus, identifier, data in frames:
            text = " ".join(f"{byte:02X}" for byte in data)
            lines.append(f"{at + late:11.6f} {bus}  {identifier:15} Rx   d {len(data)} {text}")
    paths = folder / "truck 0417.asc", folder / "traction.dbc", folder / "body.dbc"
    for path, text in zip(paths, ("\n".join(lines) + "\n", TRACTION, BODY), strict=True):
        path.write_text(text, encoding="ascii")
    return *paths, energy_j / length_m / 3.6
