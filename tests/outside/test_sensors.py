"""Temperature sensors against published tables and equations.

Status of a value, as beside each: *source* = read in the document named, *recomputed* = calculated
from the equation named, *memory* = recalled.
"""

from __future__ import annotations

import math
import struct
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plylane.head.registers import ZoneSettingsRegs
from plylane_twin._core import ffi, lib

KELVIN = 273.15

# IEC 60751, Callendar-Van Dusen; coefficients: memory, but they give the printed points below.
A, B, C = 3.9083e-3, -5.775e-7, -4.183e-12

# Pt100 [degC, ohm], the equation of IEC 60751 (recomputed). Pt1000 is ten times that.
PT100 = [
    (-50, 80.30628188),
    (-10, 96.08587899),
    (0, 100.0),
    (10, 103.902525),
    (20, 107.7935),
    (25, 109.7346563),
    (40, 115.5408),
    (50, 119.397125),
    (60, 123.2419),
    (65, 125.1599563),
    (70, 127.075125),
    (75, 128.9874062),
    (80, 130.8968),
    (90, 134.706925),
    (100, 138.5055),
    (120, 146.068),
    (150, 157.325125),
    (200, 175.856),
    (250, 194.098125),
]
# Printed points within the sensor's range, rounded to 0.1 and (ten times) 0.01 ohm (source):
# DIN EN 60751 table at stm32world.com/wiki/Pt1000_(DIN); IEC 60751 table in the documentation of
# the max31865 crate, whose pair 369.71 ohm / 800 degC is a misprint (780 degC) and is not used.
PT1000_PRINTED = [(-50, 803.1, 0.05), (-40, 842.7, 0.05), (-10, 960.9, 0.05)]
PT1000_PRINTED += [(0, 1000.0, 0.05), (130, 1498.3, 0.05)]

# Thermometrics, Sensor Temperature Resistance Curves Reference Guide, Rev. C (Nov 2014), Material
# Type 1, dtsheet.com/doc/1784717 (source): [degC, Rt/R25].
NTC_TABLE = [
    (-40, 33.36),
    (-20, 9.681),
    (0, 3.264),
    (5, 2.539),
    (10, 1.99),
    (15, 1.571),
    (20, 1.249),
    (25, 1.0),
    (30, 0.8056),
    (35, 0.653),
    (40, 0.5325),
    (45, 0.4367),
    (50, 0.3601),
    (55, 0.2985),
    (60, 0.2487),
    (65, 0.2082),
    (70, 0.1751),
    (75, 0.148),
    (80, 0.1256),
    (85, 0.107),
    (90, 0.09155),
    (95, 0.07864),
    (100, 0.06781),
    (110, 0.05095),
    (125, 0.03403),
]
NTC_T = (0.0033539438, 0.00025646095, 2.5158166e-06, 1.0503069e-07)  # same guide (source)
NTC_R = (-14.195756, 4407.4785, -5165.873, -14017368.0)  # same guide (source): ln r from 1/T
# Temperature from the printed ratio by that polynomial (recomputed).
NTC_BACK = [
    (0, -0.002050421355),
    (25, 25.00645689),
    (50, 50.00252307),
    (65, 64.99852719),
    (85, 84.99486944),
    (100, 99.98882201),
]
# Single-beta equation with 3977 K on the printed ratios (recomputed).
NTC_BY_BETA = [
    (0, 0.7126732183),
    (50, 49.72265306),
    (65, 64.75250137),
    (85, 85.00932137),
    (100, 100.3516583),
]

# Beta equation, IEC 60539-1, R = R25 exp(B (1/T - 1/T25)), 10 k (recomputed), at:
BETA_DEGC = (0, 25, 50, 65, 85, 100)
BETA_OHM = {
    3435: (28704.29039, 10000.0, 4101.189901, 2559.347774, 1451.347087, 987.0367685),
    3950: (33620.60372, 10000.0, 3588.182582, 2086.372143, 1086.670769, 697.519773),
    3977: (33900.42085, 10000.0, 3563.131937, 2064.141744, 1070.309272, 684.9387231),
}

# Steinhart-Hart 1/T = A + B ln R + C (ln R)^3 of the 1600-10K resistance chart,
# studylib.net/doc/10315155 (source); form: Deep-Sea Research 15 (1968) 497-503.
STEINHART_HART = (0.00112924, 0.000234108, 8.7755e-08)
STEINHART_HART_OHM = (32649.61084, 9999.907755, 3601.074836, 2082.317787, 1070.442458, 678.4135977)
# Chart values (source). The equation runs 0.06 % high at -31 degC; -80 degC is out of range here.
STEINHART_HART_CHART = [(-50, 667828.0), (-40, 335671.0), (-31, 188026.0)]

# Float has 24 bits: a temperature in kelvin is good to 573 K / 2^24 = 3.4e-5 K, and a few such
# roundings add up in the cubic. Coefficients are kept to 1e-11 1/K: far less.
FLOAT_K = 2e-4


def settings(
    r25_ohm: float = 10000.0,
    coefficients: tuple[float, float, float, float] = NTC_T,
    *,
    pt1000: bool = False,
    divider_ohm: int = 4700,
    offset_degC: float = 0.0,
) -> Any:
    zone = ffi.new("struct zone_settings_regs *")
    zone.sensor = lib.SENSOR_KIND_PT1000 if pt1000 else lib.SENSOR_KIND_NTC
    zone.divider_ohm = divider_ohm
    zone.ntc_r25_ohm = round(r25_ohm)
    wire = [round(value / 1e-11) for value in coefficients]
    zone.ntc_a_per_K, zone.ntc_b_per_K, zone.ntc_c_per_K, zone.ntc_d_per_K = wire
    zone.sensor_offset_degC = round(offset_degC * 100)
    zone.rail_codes = ZoneSettingsRegs.BLOCK.register("rail_codes").default
    return zone


def beta_coefficients(beta_K: float) -> tuple[float, float, float, float]:
    """The beta equation is the polynomial cut after its second term."""
    return (1 / (25 + KELVIN), 1 / beta_K, 0.0, 0.0)


def steinhart_hart_in_r(r25_ohm: float) -> tuple[float, float, float, float]:
    """With ln R = ln R25 + x the three-term equation is a cubic in x = ln(R/R25)."""
    a, b, c = STEINHART_HART
    k = math.log(r25_ohm)
    return (a + b * k + c * k**3, b + 3 * c * k**2, 3 * c * k, c)


def pt1000_ohm(degC: float) -> float:
    quartic = C * (degC - 100) * degC**3 if degC < 0 else 0.0
    return 1000 * (1 + A * degC + B * degC**2 + quartic)


def reading(ohm: float, divider_ohm: float) -> int:
    return round(65536 * ohm / (ohm + divider_ohm))


# ------------------------------------------------------------------------------------ platinum


@pytest.mark.parametrize(("degC", "ohm"), PT100)
def test_pt1000_follows_iec_60751(degC: float, ohm: float) -> None:
    # at 250 degC a float step of the resistance, 0.00012 ohm, is 0.00003 K
    assert lib.sensor_pt1000_degC(10 * ohm) == pytest.approx(degC, abs=FLOAT_K)


@pytest.mark.parametrize(("degC", "ohm", "rounding_ohm"), PT1000_PRINTED)
def test_pt1000_gives_the_printed_points(degC: float, ohm: float, rounding_ohm: float) -> None:
    slope_ohm_K = 3.7  # least within the range
    allowed_K = rounding_ohm / slope_ohm_K + FLOAT_K
    assert lib.sensor_pt1000_degC(ohm) == pytest.approx(degC, abs=allowed_K)


def test_pt1000_slope_is_that_of_the_standard() -> None:
    for degC, pt100_ohm_K in ((0, 0.39083), (65, 0.3833225), (100, 0.37928)):  # recomputed
        above, below = (lib.sensor_pt1000_degC(pt1000_ohm(degC + d)) for d in (2, -2))
        change_ohm = pt1000_ohm(degC + 2) - pt1000_ohm(degC - 2)
        # below 0 degC the quartic sets in, above the curvature is even: both below 1e-4
        assert change_ohm / (above - below) == pytest.approx(10 * pt100_ohm_K, rel=2e-4)


@given(st.floats(-55, 295))
def test_pt1000_inverts_the_equation_everywhere(degC: float) -> None:
    assert lib.sensor_pt1000_degC(pt1000_ohm(degC)) == pytest.approx(degC, abs=FLOAT_K)


def test_alpha_of_the_coefficients() -> None:
    assert (pt1000_ohm(100) - 1000) / 1e5 == pytest.approx(0.00385055, abs=1e-12)  # recomputed
    assert lib.sensor_pt1000_degC(1000 * (1 + 100 * 3.851e-3)) == pytest.approx(100, abs=0.02)


# ------------------------------------------------------------------------------------ NTC


@pytest.mark.parametrize(("degC", "ratio"), NTC_TABLE)
def test_ntc_polynomial_gives_the_printed_table(degC: float, ratio: float) -> None:
    # the guide's ratios have four digits (up to 0.02 K), which the fit follows
    assert lib.sensor_ntc_degC(10000 * ratio, settings()) == pytest.approx(degC, abs=0.02)


@pytest.mark.parametrize(("degC", "back_degC"), NTC_BACK)
def test_ntc_polynomial_as_recomputed(degC: int, back_degC: float) -> None:
    got = lib.sensor_ntc_degC(10000 * dict(NTC_TABLE)[degC], settings())
    assert got == pytest.approx(back_degC, abs=FLOAT_K)


@given(st.floats(-40, 125))
def test_the_guides_two_polynomials_agree(degC: float) -> None:
    kelvin = degC + KELVIN
    a, b, c, d = NTC_R
    ratio = math.exp(a + b / kelvin + c / kelvin**2 + d / kelvin**3)
    # two fits to one table, each within 0.02 K of it
    assert lib.sensor_ntc_degC(10000 * ratio, settings()) == pytest.approx(degC, abs=0.04)


@pytest.mark.parametrize("beta_K", sorted(BETA_OHM))
def test_beta_equation_is_the_two_term_polynomial(beta_K: int) -> None:
    zone = settings(10000, beta_coefficients(beta_K))
    for degC, ohm in zip(BETA_DEGC, BETA_OHM[beta_K], strict=True):
        assert lib.sensor_ntc_degC(ohm, zone) == pytest.approx(degC, abs=FLOAT_K)


@pytest.mark.parametrize(("degC", "by_beta_degC"), NTC_BY_BETA)
def test_what_a_single_beta_makes_of_the_table(degC: int, by_beta_degC: float) -> None:
    ohm = 10000 * dict(NTC_TABLE)[degC]
    got = lib.sensor_ntc_degC(ohm, settings(10000, beta_coefficients(3977)))
    assert got == pytest.approx(by_beta_degC, abs=FLOAT_K)


@pytest.mark.parametrize("r25_ohm", [10000, 4700])
def test_steinhart_hart_expanded_into_the_ratio(r25_ohm: float) -> None:
    zone = settings(r25_ohm, steinhart_hart_in_r(r25_ohm))
    for degC, ohm in zip(BETA_DEGC, STEINHART_HART_OHM, strict=True):
        assert lib.sensor_ntc_degC(ohm, zone) == pytest.approx(degC, abs=FLOAT_K)


@pytest.mark.parametrize(("degC", "ohm"), STEINHART_HART_CHART)
def test_steinhart_hart_chart(degC: float, ohm: float) -> None:
    got = lib.sensor_ntc_degC(ohm, settings(10000, steinhart_hart_in_r(10000)))
    # the equation differs from the chart by less than 0.5 % here; at 5 %/K and more that is 0.1 K
    assert got == pytest.approx(degC, abs=0.1)


# ------------------------------------------------------------------------------------ logarithm


@given(st.floats(2.0**-9, 34.0, width=32))
def test_logarithm_over_the_ratios_in_use(x: float) -> None:
    assert lib.sensor_ln(x) == pytest.approx(math.log(x), abs=3e-7, rel=0)


@given(st.floats(min_value=2.0**-126, max_value=2.0**127, width=32))
def test_logarithm_within_two_float_steps(x: float) -> None:
    exact = math.log(x)
    step = float(np.spacing(np.float32(abs(exact))))
    assert abs(lib.sensor_ln(x) - exact) <= 2 * step + 1e-45


def test_logarithm_is_exact_at_one_and_never_falls() -> None:
    assert lib.sensor_ln(1.0) == 0.0
    bits = np.arange(0x3F000000, 0x40800000, 97, dtype=np.uint32)  # 0.5 .. 4
    values = [lib.sensor_ln(x) for x in bits.view(np.float32).tolist()]
    assert all(b >= a for a, b in pairwise(values))


# The bits that avr-gcc 5.4 with avr-libc's soft float gave for these in a simulated ATmega328P
# (libsimavr 1.6): an answer of another compiler, library and processor (recomputed).
BOARD_BITS = [
    ("sensor_ln", 0.03125, 0xC05DCE9E),
    ("sensor_ln", 0.0517578125, 0xC03D83F9),
    ("sensor_ln", 0.3662109375, 0xBF8094F5),
    ("sensor_ln", 0.7071067690849304, 0xBEB17219),
    ("sensor_ln", 0.70710688829422, 0xBEB17213),
    ("sensor_ln", 1.4142135381698608, 0x3EB17217),
    ("sensor_ln", 1.5, 0x3ECF991F),
    ("sensor_ln", 3.2640380859375, 0x3F976B66),
    ("sensor_ln", 33.36328125, 0x40607A28),
    ("sensor_pt1000_degC", 770.5, 0xC268C00A),
    ("sensor_pt1000_degC", 803.0625, 0xC2480017),
    ("sensor_pt1000_degC", 960.859375, 0xC11FFF63),
    ("sensor_pt1000_degC", 999.5, 0xBE030033),
    ("sensor_pt1000_degC", 1097.34375, 0x41C7FE86),
    ("sensor_pt1000_degC", 1251.599609375, 0x42820002),
    ("sensor_pt1000_degC", 1385.0546875, 0x42C7FFF6),
    ("sensor_pt1000_degC", 1573.25, 0x4315FFEC),
    ("sensor_pt1000_degC", 1940.981201171875, 0x437A0000),
]


@pytest.mark.parametrize(("what", "argument", "bits"), BOARD_BITS)
def test_the_same_bits_as_on_the_board(what: str, argument: float, bits: int) -> None:
    got = struct.unpack("<I", struct.pack("<f", getattr(lib, what)(argument)))[0]
    assert f"{got:08x}" == f"{bits:08x}"


# ------------------------------------------------------------------------------------ reading


@given(st.integers(100, 65000), st.integers(100, 1_000_000))
def test_divider(converter: int, divider_ohm: int) -> None:
    share = converter / 65536
    ohm = divider_ohm * share / (1 - share)
    # three roundings, and the denominator is exact
    assert lib.sensor_ohm(converter, divider_ohm) == pytest.approx(ohm, rel=3 * 2.0**-24)


@given(st.floats(-5.8, 3.2), st.floats(-20, 20))
def test_ntc_reading_to_temperature(x: float, offset_degC: float) -> None:
    a, b, c, d = NTC_T  # x = ln(R/R25): 206 to -37 degC
    degC = 1 / (a + b * x + c * x**2 + d * x**3) - KELVIN
    zone = settings(offset_degC=offset_degC)
    fault = ffi.new("uint8_t *")
    got = lib.sensor_degC(reading(10000 * math.exp(x), 4700), zone, fault)
    assert fault[0] == lib.SENSOR_GOOD
    # half a converter step (1/131072 of the range) is at most 0.07 K (at 200 degC, where the
    # divider reads 1.6 %), and the offset travels in 0.01 K
    assert got == pytest.approx(degC + offset_degC, abs=0.07 + 0.005)


@given(st.floats(-55, 295))
def test_pt1000_reading_to_temperature(degC: float) -> None:
    fault = ffi.new("uint8_t *")
    got = lib.sensor_degC(reading(pt1000_ohm(degC), 4700), settings(pt1000=True), fault)
    assert fault[0] == lib.SENSOR_GOOD
    # half a converter step is (4700 + R)^2 / 4700 / 131072 <= 0.075 ohm, at 3.6 ohm/K
    assert got == pytest.approx(degC, abs=0.022)


def test_how_near_a_rail_counts_is_a_setting() -> None:
    zone = settings()
    for codes in (66, 328, 3276):
        zone.rail_codes = codes
        for converter, want in (
            (codes - 1, lib.SENSOR_SHORTED),
            (codes, lib.SENSOR_GOOD),
            (65535 - codes, lib.SENSOR_GOOD),
            (65536 - codes, lib.SENSOR_OPEN),
        ):
            assert lib.sensor_rail(converter, zone) == want


@pytest.mark.parametrize("pt1000", [False, True])
def test_open_and_shorted_at_the_rails(pt1000: bool) -> None:
    fault = ffi.new("uint8_t *")
    zone = settings(pt1000=pt1000)
    for converter, want in ((65535, lib.SENSOR_OPEN), (0, lib.SENSOR_SHORTED)):
        assert math.isnan(lib.sensor_degC(converter, zone, fault))
        assert fault[0] == want
        assert lib.sensor_rail(converter, zone) == want


@pytest.mark.parametrize(
    ("ohm", "want"),
    [
        (pt1000_ohm(-65), lib.SENSOR_SHORTED),
        (pt1000_ohm(-55), lib.SENSOR_GOOD),
        (pt1000_ohm(295), lib.SENSOR_GOOD),
        (pt1000_ohm(305), lib.SENSOR_OPEN),
        (50.0, lib.SENSOR_SHORTED),  # a pinched cable
        (20000.0, lib.SENSOR_OPEN),  # a corroded plug, beyond the top of the quadratic
    ],
)
def test_pt1000_fault_limits(ohm: float, want: int) -> None:
    fault = ffi.new("uint8_t *")
    lib.sensor_degC(reading(ohm, 4700), settings(pt1000=True), fault)
    assert fault[0] == want


@pytest.mark.parametrize(
    ("share", "want"),
    [
        (0.004, lib.SENSOR_SHORTED),
        (0.006, lib.SENSOR_GOOD),
        (0.990, lib.SENSOR_GOOD),
        (0.996, lib.SENSOR_OPEN),
    ],
)
def test_ntc_fault_limits(share: float, want: int) -> None:
    fault = ffi.new("uint8_t *")
    lib.sensor_degC(round(65536 * share), settings(), fault)
    assert fault[0] == want


@given(
    st.integers(0, 65535),
    st.booleans(),
    st.integers(100, 1_000_000),
    st.integers(100, 1_000_000),
    st.tuples(*[st.integers(0, 2_000_000_000)] * 2, *[st.integers(-(10**8), 10**8)] * 2),
    st.floats(-20, 20),
)
def test_whatever_the_settings_a_reading_is_a_plausible_pv_or_a_fault(
    converter: int,
    pt1000: bool,
    divider_ohm: int,
    r25_ohm: int,
    wire: tuple[int, int, int, int],
    offset_degC: float,
) -> None:
    zone = settings(r25_ohm, pt1000=pt1000, divider_ohm=divider_ohm, offset_degC=offset_degC)
    zone.ntc_a_per_K, zone.ntc_b_per_K, zone.ntc_c_per_K, zone.ntc_d_per_K = wire
    fault = ffi.new("uint8_t *")
    degC = lib.sensor_degC(converter, zone, fault)
    if fault[0] == lib.SENSOR_GOOD:
        assert -80.01 <= degC <= 320.01  # fits the wire, which ends at 327.67
    else:
        assert math.isnan(degC)
