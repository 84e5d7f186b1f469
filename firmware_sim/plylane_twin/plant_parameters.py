"""The plant's parameters: plant.toml, checked, with a scenario's overrides, as the C struct.

Every field carries its unit in its name; values from the design's table and assumptions are told
apart in plant.toml. `fill` turns them into `struct plant_parameters` (mm, N, W, degC, fractions).
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from plylane.plan.wood import specific_gravity
from plylane_twin.wood import Stack

SOURCE = Path(__file__).parent / "plant.toml"
ZONES, LANES, CURVES = 3, 8, 64  # PLANT_ZONES, PLANT_LANES, PLANT_CURVES of plant.h

Positive = Annotated[float, Field(gt=0.0, le=1e6)]
NotNegative = Annotated[float, Field(ge=0.0, le=1e6)]
Percent = Annotated[float, Field(ge=0.0, le=100.0)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]
PerZone = Annotated[tuple[Positive, ...], Field(min_length=ZONES, max_length=ZONES)]
StartPerZone = Annotated[
    tuple[Annotated[float, Field(ge=0.0, le=200.0)], ...],
    Field(min_length=ZONES, max_length=ZONES),
]


class ParameterError(ValueError):
    """A plant parameter is unknown, out of bounds or at odds with another; names it and why."""


class _Checked(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Curve(_Checked):
    """A bend of the part; a turn to the left counts positive."""

    start_mm: NotNegative
    radius_mm: Annotated[float, Field(ge=1.0, le=1e5)]
    turn_deg: Annotated[float, Field(ge=-3600.0, le=3600.0)]

    @property
    def length_mm(self) -> float:
        """Cord length in the bend."""
        return self.radius_mm * abs(math.radians(self.turn_deg))

    @property
    def per_mm(self) -> float:
        """Signed curvature."""
        return math.copysign(1.0 / self.radius_mm, self.turn_deg)


class PlantParameters(_Checked):
    """Everything the plant is made of; see plant.toml for the meaning and source of each."""

    zones: Annotated[int, Field(ge=1, le=ZONES)]
    lanes: Annotated[int, Field(ge=1, le=LANES)]
    block_mass_g: PerZone
    block_heat_capacity_J_kgK: Positive
    block_start_K: StartPerZone
    heater_W: PerZone
    supply_V: Positive
    loss_W_K: PerZone
    link_W_K: Annotated[tuple[NotNegative, ...], Field(min_length=ZONES - 1, max_length=ZONES - 1)]
    supply_drift_percent: Annotated[float, Field(ge=0.0, le=50.0)]
    supply_drift_time_s: Annotated[float, Field(ge=10.0, le=1e6)]
    air_mean_degC: Annotated[float, Field(ge=-20.0, le=50.0)]
    air_swing_K: Annotated[float, Field(ge=0.0, le=30.0)]
    air_start_h: Annotated[float, Field(ge=0.0, le=24.0)]
    guide_length_mm: Annotated[float, Field(ge=10.0, le=1e4)]
    nip_length_mm: Annotated[float, Field(ge=5.0, le=1e4)]
    strip_width_mm: Positive
    strip_thickness_mm: Positive
    strip_length_mm: Annotated[float, Field(ge=200.0, le=1e6)]
    strip_moisture_percent: Annotated[float, Field(ge=0.0, lt=30.0)]
    strip_basic_gravity: Annotated[float, Field(ge=0.1, le=1.2)]
    strip_mean_degC: Annotated[float, Field(ge=0.0, le=150.0)]
    contact_W_m2K: Positive
    sensor_lag_s: Annotated[float, Field(ge=0.1, le=1e3)]
    sensor_air_lag_s: Annotated[float, Field(ge=0.1, le=1e3)]
    sensor_noise_K: NotNegative
    seating_error_K: NotNegative
    seating_reference_K: Positive
    divider_ohm: Positive
    ntc_r25_ohm: Positive
    ntc_A: float
    ntc_B_K: float
    ntc_C_K2: float
    ntc_D_K3: float
    pulses_per_turn: Annotated[int, Field(ge=1, le=100_000)]
    pulses_per_cycle: Annotated[int, Field(ge=1, le=100_000)]
    roller_diameter_mm: Positive
    rotor_time_ms: Annotated[float, Field(ge=1.0, le=1e3)]
    bearing_torque_Nm: NotNegative
    pull_out_torque_Nm: Positive
    pull_out_half_rev_s: Positive
    detent_fraction: Share
    nominal_speed_mm_s: Positive
    nominal_slip_percent: Annotated[float, Field(ge=0.01, le=20.0)]
    slip_speed_factor: Annotated[float, Field(ge=0.0, lt=1.0)]
    slip_drift_percent: Percent
    slip_drift_length_mm: Annotated[float, Field(ge=10.0, le=1e6)]
    film_slip_percent_per_m: Percent
    film_slip_max_percent: Percent
    infeed_nominal_N: Positive
    infeed_limit_N: Positive
    press_nominal_N: Positive
    press_limit_N: Positive
    outfeed_nominal_N: Positive
    outfeed_limit_N: Positive
    magazine_N: NotNegative
    drag_N: NotNegative
    drag_viscous_N_s_mm: Annotated[float, Field(ge=1e-4, le=1e3)]
    drag_edge_mm_s: Annotated[float, Field(ge=1e-3, le=10.0)]
    drag_variation_percent: Percent
    drag_correlation_mm: Annotated[float, Field(ge=1.0, le=1e6)]
    strip_mean_variation_percent: Percent
    laying_N: NotNegative
    shear_drag_N: NotNegative
    slack_min_mm: Annotated[float, Field(gt=0.0, le=100.0)]
    slack_max_mm: Annotated[float, Field(gt=0.0, le=100.0)]
    buckling_N: Positive
    strip_stiffness_N_mm: Annotated[float, Field(gt=0.0, le=200.0)]
    slack_relaxation_s: Annotated[float, Field(ge=0.01, le=1e4)]
    glue_yield_N: Positive
    glue_viscous_N_s_mm: Annotated[float, Field(gt=0.0, le=1e4)]
    infeed_to_press_mm: Annotated[float, Field(ge=10.0, le=1e4)]
    first_joint_mm: NotNegative
    joint_gap_max_mm: Annotated[float, Field(ge=0.0, le=20.0)]
    joint_step_percent: Percent
    joint_drag_N: NotNegative
    joint_drag_length_mm: NotNegative
    output_mm_per_count: Positive
    output_turn_mm: Positive
    output_run_out_percent: Annotated[float, Field(ge=0.0, le=50.0)]
    output_burst_spacing_mm: Positive
    output_burst_length_mm: Positive
    output_burst_slip_percent: Percent
    output_dirt_percent_per_m: Percent
    output_dirt_max_percent: Percent
    lane_mm_per_pulse: Positive
    lane_scatter_percent: Annotated[float, Field(ge=0.0, le=30.0)]
    curve_period_mm: NotNegative
    curve: Annotated[tuple[Curve, ...], Field(max_length=CURVES)] = ()

    @classmethod
    def load(cls, overrides: Mapping[str, Any] | None = None) -> Self:
        """Read plant.toml and lay `overrides` over it. Raises ParameterError."""
        values = tomllib.loads(SOURCE.read_text(encoding="utf-8"))
        try:
            return cls.model_validate(_tuples({**values, **(overrides or {})}))
        except ValidationError as error:
            raise ParameterError(_explain(error)) from error

    @model_validator(mode="after")
    def _hold_together(self) -> Self:
        _in_order(self, "slack_min_mm", "slack_max_mm")
        _in_order(self, "infeed_to_press_mm", "strip_length_mm")
        _in_order(self, "infeed_nominal_N", "infeed_limit_N")
        _in_order(self, "press_nominal_N", "press_limit_N")
        _in_order(self, "outfeed_nominal_N", "outfeed_limit_N")
        _in_order(self, "seating_error_K", "seating_reference_K")
        if self.slip_drift_percent >= self.nominal_slip_percent:
            raise ValueError("slip_drift_percent must stay below nominal_slip_percent")
        _check_curves(self.curve, self.curve_period_mm, max(map(abs, self.lane_offset_mm)))
        return self

    # ---- what follows from them ----

    @property
    def stack(self) -> Stack:
        """The strips together, in the guide."""
        return Stack(
            width_mm=self.strip_width_mm,
            thickness_mm=self.strip_thickness_mm * self.lanes,
            gravity=specific_gravity(self.strip_basic_gravity, self.strip_moisture_percent),
            moisture_percent=self.strip_moisture_percent,
            temperature_degC=self.strip_mean_degC,
        )

    @property
    def pulses_per_mm(self) -> float:
        """Pulses a millimetre of roller surface."""
        return self.pulses_per_turn / (math.pi * self.roller_diameter_mm)

    @property
    def lane_offset_mm(self) -> tuple[float, ...]:
        """Each lane's distance from the middle of the stack, outwards in a left turn positive."""
        middle = 0.5 * (self.lanes - 1)
        return tuple((middle - lane) * self.strip_thickness_mm for lane in range(self.lanes))

    @property
    def first_joints_mm(self) -> tuple[float, ...]:
        """Strip length fed when a lane's first joint reaches the infeed: equal stagger."""
        stagger = self.strip_length_mm / self.lanes
        return tuple(
            (self.first_joint_mm + lane * stagger) % self.strip_length_mm
            for lane in range(self.lanes)
        )


def _tuples(value: Any) -> Any:
    """TOML's arrays as tuples, which strict checking asks for."""
    if isinstance(value, list):
        return tuple(_tuples(item) for item in value)
    if isinstance(value, Mapping):
        return {key: _tuples(item) for key, item in value.items()}
    return value


def _in_order(values: BaseModel, low: str, high: str) -> None:
    if getattr(values, low) > getattr(values, high):
        raise ValueError(f"{low} must not be above {high}")


def _check_curves(curves: Sequence[Curve], period_mm: float, offset_mm: float) -> None:
    end = 0.0
    for number, curve in enumerate(curves, 1):
        if curve.start_mm < end:
            raise ValueError(f"curve {number} starts before the one before it has ended")
        if curve.radius_mm <= offset_mm:
            raise ValueError(f"curve {number}: radius_mm must be above half the stack")
        end = curve.start_mm + curve.length_mm
    if curves and 0.0 < period_mm < end:
        raise ValueError(f"curve_period_mm must be 0 or at least {end:.1f}, where curves end")


def _explain(error: ValidationError) -> str:
    first = error.errors(include_url=False)[0]
    place = ".".join(str(p + 1) if isinstance(p, int) else p for p in first["loc"])
    if first["type"] == "extra_forbidden":
        return f"plant.{place} is not a plant parameter; docs/twin.md lists them"
    what = first["msg"].removeprefix("Value error, ")
    return f"plant.{place}: {what}" if place else f"plant: {what}"


# parameter in plant.toml -> field of the C struct, factor
_SCALED = {
    "supply_drift_percent": ("supply_drift_fraction", 0.01),
    "nominal_slip_percent": ("nominal_slip", 0.01),
    "slip_drift_percent": ("slip_drift", 0.01),
    "film_slip_percent_per_m": ("film_slip_per_mm", 0.01 * 0.001),
    "film_slip_max_percent": ("film_slip_max", 0.01),
    "drag_variation_percent": ("drag_variation", 0.01),
    "strip_mean_variation_percent": ("strip_mean_variation", 0.01),
    "joint_step_percent": ("joint_step_fraction", 0.01),
    "output_run_out_percent": ("output_run_out", 0.01),
    "output_burst_slip_percent": ("output_burst_slip", 0.01),
    "output_dirt_percent_per_m": ("output_dirt_per_mm", 0.01 * 0.001),
    "output_dirt_max_percent": ("output_dirt_max", 0.01),
    "lane_scatter_percent": ("lane_scatter", 0.01),
    "roller_diameter_mm": ("roller_radius_mm", 0.5),
}
# those that reach C only through what follows from them
_DERIVED = {
    "block_mass_g",
    "block_heat_capacity_J_kgK",
    "supply_V",
    "link_W_K",
    "strip_width_mm",
    "strip_thickness_mm",
    "strip_moisture_percent",
    "strip_basic_gravity",
    "strip_mean_degC",
    "contact_W_m2K",
    "pulses_per_turn",
    "first_joint_mm",
    "curve",
}


def fill(parameters: Any, overrides: Mapping[str, Any] | None = None) -> None:
    """Fill a cffi `struct plant_parameters *` from plant.toml and overrides.

    Raises ParameterError.
    """
    fill_from(parameters, PlantParameters.load(overrides))


def fill_from(parameters: Any, values: PlantParameters) -> None:
    """Fill a cffi `struct plant_parameters *` from checked values."""
    for name in set(PlantParameters.model_fields) - _DERIVED:
        field, factor = _SCALED.get(name, (name, None))
        value = getattr(values, name)
        setattr(parameters, field, value if factor is None else value * factor)
    heat = values.block_heat_capacity_J_kgK
    parameters.block_heat_J_K = [mass * 0.001 * heat for mass in values.block_mass_g]
    parameters.link_W_K = [*values.link_W_K, 0.0]
    parameters.pulses_per_mm = values.pulses_per_mm
    parameters.stack_heat_J_mm_K = values.stack.heat_J_mm_K
    parameters.stack_contact_W_mm_K = values.stack.contact_W_mm_K(values.contact_W_m2K)
    parameters.lane_offset_mm = values.lane_offset_mm
    parameters.first_joint_mm = values.first_joints_mm
    _fill_curves(parameters, values.curve)


def _fill_curves(parameters: Any, curves: Sequence[Curve]) -> None:
    parameters.curves = len(curves)
    parameters.curve_start_mm = [curve.start_mm for curve in curves]
    parameters.curve_length_mm = [curve.length_mm for curve in curves]
    parameters.curve_per_mm = [curve.per_mm for curve in curves]
