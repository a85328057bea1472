"""Every key of the two cards, and what may stand there.

A new key: one line here, and one field in :mod:`vaclog.cards.engine` or :mod:`vaclog.cards.rig`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, get_args

from vaclog.cards.engine import Rotation, VacuumAdvance
from vaclog.cards.rig import SparkPickup
from vaclog.cards.values import (
    Reader,
    choice_reader,
    number_reader,
    read_curve,
    read_flag,
    read_order,
    read_sign,
    read_text,
    whole_reader,
)

# Bounds are wide: they catch slips of the pen and swapped keys, not unusual engines.
ENGINE_KEYS: Final[Mapping[str, Reader]] = {
    "name": read_text,
    "cylinders": whole_reader(1, 16, "a whole number from 1 to 16"),
    "firing_order": read_order,
    "rotor_turns": choice_reader(get_args(Rotation)),
    "static_deg": number_reader(-30, 60, "crank degrees"),
    "static_tolerance_deg": number_reader(0, 15, "crank degrees"),
    "idle_rpm": number_reader(100, 5000, "rpm"),
    "centrifugal": read_curve,
    "max_total_deg": number_reader(1, 70, "crank degrees"),
    "body_radius_mm": number_reader(5, 200, "mm"),
    "click_deg": number_reader(0, 10, "crank degrees"),
    "vacuum_advance": choice_reader(get_args(VacuumAdvance)),
    "altitude_m": number_reader(-1000, 9000, "m"),
    "tdc_verified": read_flag,
    "bore_mm": number_reader(20, 300, "mm"),
}
RIG_KEYS: Final[Mapping[str, Mapping[str, Reader]]] = {
    "pressure": {
        "gain_per_kpa": number_reader(-1, 1, "per kPa", zero=False),
        "offset": number_reader(-100, 100, ""),
    },
    "spark": {
        "pickup": choice_reader(get_args(SparkPickup)),
        "delay_us": number_reader(-5000, 20_000, "µs"),
        "u_delay_us": number_reader(0, 20_000, "µs"),
    },
    "mark": {
        "angle_deg": number_reader(-360, 360, "crank degrees"),
        "u_angle_deg": number_reader(0, 45, "crank degrees"),
    },
    "body": {
        "deg_per_count": number_reader(0, 90, "degrees of the body", zero=False),
        "sign": read_sign,
        "anchor_counts": number_reader(-1e9, 1e9, "counts"),
        "anchor_deg": number_reader(-60, 90, "crank degrees"),
        "u_anchor_deg": number_reader(0, 45, "crank degrees"),
    },
}
