"""The instruments that a scenario may have: what a mill would call them, and how they move when nothing is wrong."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Instrument:
    """One instrument. All figures are the demo's own.

    mean, spread
        What it shows, and how far that wanders, in its unit.
    tau_min
        How slowly it wanders: correlation time. [min]
    decimals
        Its resolution.
    """

    name: str
    unit: str
    section: str
    mean: float
    spread: float
    tau_min: float
    decimals: int


_TABLE = (
    # couch: stock preparation, wet end and wire
    ("stock.freeness", "mL", "couch", 380, 9, 240, 0),
    ("stock.softwood", "%", "couch", 16, 0.5, 300, 1),
    ("stock.temperature", "degC", "couch", 46, 0.8, 180, 1),
    ("stock.refiner_power", "kW", "couch", 620, 14, 90, 0),
    ("stock.refiner_outlet", "kPa", "couch", 310, 9, 45, 0),
    ("stock.blend_level", "%", "couch", 62, 4, 120, 1),
    ("stock.filler_flow", "L/min", "couch", 180, 6, 60, 0),
    ("chem.retention_aid", "L/min", "couch", 14, 0.5, 60, 2),
    ("chem.size_flow", "L/min", "couch", 9, 0.3, 90, 2),
    ("chem.biocide_flow", "L/min", "couch", 2.5, 0.1, 200, 2),
    ("chem.cationic_starch", "L/min", "couch", 42, 1.2, 80, 1),
    ("headbox.consistency", "%", "couch", 0.7, 0.01, 12, 3),
    ("headbox.jet_wire", "1", "couch", 1.01, 0.002, 60, 4),
    ("headbox.ph", "pH", "couch", 8, 0.06, 120, 2),
    ("headbox.conductivity", "uS/cm", "couch", 1500, 70, 600, 0),
    ("headbox.charge", "ueq/L", "couch", 80, 6, 180, 1),
    ("headbox.temperature", "degC", "couch", 47, 0.7, 150, 1),
    ("headbox.entrained_air", "%", "couch", 0.6, 0.05, 45, 2),
    ("headbox.fan_pump", "kPa", "couch", 240, 3, 20, 1),
    ("whitewater.consistency", "%", "couch", 0.11, 0.006, 45, 4),
    ("whitewater.temperature", "degC", "couch", 45, 0.8, 150, 1),
    ("wire.vacuum_box", "kPa", "couch", 22, 1, 30, 1),
    ("couch.vacuum", "kPa", "couch", 62, 1.6, 30, 1),
    ("wire.drive_torque", "%", "couch", 71, 2, 40, 1),
    # press
    ("press.draw", "%", "press", 1.8, 0.05, 60, 3),
    ("press.dryness", "%", "press", 44.6, 0.5, 90, 2),
    ("press.nip_load", "kN/m", "press", 95, 1.2, 120, 1),
    ("press.uhle_vacuum", "kPa", "press", 38, 1.2, 90, 1),
    ("press.shower_pressure", "kPa", "press", 420, 8, 60, 0),
    ("press.shower_temperature", "degC", "press", 52, 1, 120, 1),
    ("press.roll_vibration", "mm/s", "press", 2.4, 0.2, 60, 2),
    ("press.felt_tension", "kN/m", "press", 3.2, 0.08, 240, 2),
    ("press.pickup_vacuum", "kPa", "press", 48, 1.5, 30, 1),
    ("press.drive_torque", "%", "press", 64, 2, 45, 1),
    # pre-dryer
    ("dryer.steam_group1", "kPa", "pre-dryer", 120, 4, 30, 0),
    ("dryer.steam_group2", "kPa", "pre-dryer", 210, 5, 30, 0),
    ("dryer.steam_group3", "kPa", "pre-dryer", 330, 6, 30, 0),
    ("dryer.condensate_dp", "kPa", "pre-dryer", 40, 1.5, 40, 1),
    ("dryer.hood_humidity", "g/kg", "pre-dryer", 140, 4, 60, 0),
    ("dryer.pocket_air", "degC", "pre-dryer", 92, 1.5, 60, 1),
    ("dryer.fabric_tension", "kN/m", "pre-dryer", 2.1, 0.06, 200, 2),
    ("dryer.drive_torque", "%", "pre-dryer", 55, 2, 60, 1),
    # size press
    ("sizepress.moisture_in", "%", "size press", 3, 0.25, 20, 2),
    ("sizepress.pond_level", "%", "size press", 60, 3, 25, 1),
    ("sizepress.starch_solids", "%", "size press", 10, 0.15, 120, 2),
    ("sizepress.starch_temperature", "degC", "size press", 66, 0.8, 90, 1),
    ("sizepress.nip_load", "kN/m", "size press", 42, 0.8, 100, 1),
    ("sizepress.draw", "%", "size press", -0.1, 0.02, 45, 3),
    # after-dryer
    ("afterdryer.draw", "%", "after-dryer", 1.2, 0.05, 60, 3),
    ("afterdryer.steam", "kPa", "after-dryer", 260, 6, 30, 0),
    ("afterdryer.surface", "degC", "after-dryer", 96, 1, 60, 1),
    ("afterdryer.drive_torque", "%", "after-dryer", 48, 2, 60, 1),
    # calender
    ("calender.nip_load", "kN/m", "calender", 30, 0.7, 90, 1),
    ("calender.roll_temperature", "degC", "calender", 78, 0.8, 120, 1),
    ("calender.oil_pressure", "kPa", "calender", 510, 6, 60, 0),
    ("calender.roll_vibration", "mm/s", "calender", 1.6, 0.15, 60, 2),
    # reel
    ("scanner.moisture", "%", "reel", 5, 0.1, 25, 2),
    ("scanner.ash", "%", "reel", 20, 0.5, 60, 1),
    ("scanner.caliper", "um", "reel", 100, 0.6, 60, 1),
    ("reel.tension", "N/m", "reel", 320, 6, 45, 0),
    ("reel.nip_load", "kN/m", "reel", 2.6, 0.06, 90, 2),
    ("reel.drum_torque", "%", "reel", 52, 1.5, 45, 1),
    ("reel.web_edge", "mm", "reel", 12, 0.6, 60, 1),
    ("reel.hall_humidity", "%", "reel", 42, 2, 300, 0),
)
INSTRUMENTS = {row[0]: Instrument(*row) for row in _TABLE}

# Tags that move for reasons of their own: (instrument, why). What follows the break is a result.
_DECOY_TABLE = (
    (("mill.water_temperature", "degC", "couch", 9, 6, 0, 1), "season"),
    (("mill.steam_header", "kPa", "pre-dryer", 900, 25, 0, 0), "season"),
    (("hall.air_temperature", "degC", "reel", 24, 3, 0, 1), "season"),
    (("headbox.flow", "m3/min", "couch", 33.9, 3, 0, 1), "grade"),
    (("dryer.steam_main", "kPa", "pre-dryer", 420, 40, 0, 0), "grade"),
    (("reel.drive_load", "kW", "reel", 180, 20, 0, 0), "grade"),
    (("wire.drive_load", "kW", "couch", 540, 40, 0, 0), "grade"),
    (("dryer.cylinder_surface", "degC", "pre-dryer", 104, 6, 0, 1), "restart"),
    (("calender.surface", "degC", "calender", 74, 5, 0, 1), "restart"),
    (("scanner.profile_spread", "g/m2", "reel", 0.5, -0.6, 0, 2), "restart"),
    (("calender.motor_load", "kW", "calender", 190, -120, 0, 0), "break"),
    (("broke.pulper_load", "%", "reel", 25, 40, 0, 1), "break"),
    (("broke.pit_level", "%", "couch", 35, 40, 0, 1), "break"),
    (("dryer.felt_roll_load", "%", "pre-dryer", 60, -25, 0, 1), "break"),
)
DECOYS = {row[0]: (Instrument(*row), why) for row, why in _DECOY_TABLE}
"""Instrument and what it follows, by name. Its ``spread`` is how far that moves it."""
