"""Numbers of the game and of nature: value, standard deviation, unit, source; one record each."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Constant:
    """A value with its standard deviation (0 where it is exact by definition)."""

    value: float
    sd: float
    unit: str
    source: str

    def __float__(self) -> float:
        return self.value


# --- table and net -----------------------------------------------------------------------------
TABLE_LENGTH_M = Constant(2.740, 0.0025, "m", "ITTF Laws 2.1.1; approval tolerance +-5 mm (T1)")
TABLE_WIDTH_M = Constant(1.525, 0.0015, "m", "ITTF Laws 2.1.1; approval tolerance +-3 mm (T1)")
TABLE_HEIGHT_M = Constant(0.760, 0.0015, "m", "ITTF Laws 2.1.1; approval tolerance +-3 mm (T1)")
EDGE_LINE_WIDTH_M = Constant(0.020, 0.0005, "m", "ITTF Laws 2.1.4; tolerance +-1 mm (T1)")
CENTRE_LINE_WIDTH_M = Constant(0.003, 0.0003, "m", "ITTF Laws 2.1.6; sd from memory")
NET_HEIGHT_M = Constant(0.1525, 0.001, "m", "ITTF Laws 2.2; sd: common practice, no source")
NET_OVERHANG_M = Constant(0.1525, 0.003, "m", "ITTF Laws 2.2.2; sd: common practice, no source")
NET_BAND_M = Constant(0.015, 0.002, "m", "white band along the cord; from memory, low confidence")

# --- ball --------------------------------------------------------------------------------------
BALL_RADIUS_M = Constant(0.0200, 0.0001, "m", "ITTF Laws 2.3.1; T3: 40.0-40.6 mm for plastic")
BALL_MASS_KG = Constant(0.0027, 0.00002, "kg", "ITTF Laws 2.3.1; T3: 2.67-2.77 g")
BALL_INERTIA_FACTOR = Constant(2.0 / 3.0, 0.0, "1", "thin hollow sphere, I = 2/3 m R^2")

# --- air and gravity ---------------------------------------------------------------------------
STANDARD_GRAVITY_MPS2 = Constant(9.80665, 0.0, "m/s^2", "standard acceleration, CGPM 1901")
AIR_DENSITY_KGPM3 = Constant(1.2041, 0.02, "kg/m^3", "dry air, 20 C, 101325 Pa; sd covers halls")
SPEED_OF_SOUND_MPS = Constant(343.2, 3.0, "m/s", "dry air, 20 C; sd covers 15-25 C")

# --- flight and bounce: priors of the estimator, never asserted ---------------------------------
DRAG_COEFFICIENT = Constant(
    0.45, 0.035, "1", "Clift, Grace, Weber 1978; French (drop, 0.445); sd covers spin, 0.38-0.60"
)
LIFT_SCALE = Constant(
    0.68,
    0.15,
    "1",
    "L of CL = L S/(S+1); as 0.9 S/(2S+1) or 0.45 S at S = 0.5, where published "
    "laws of either form agree to some 20 %, from memory",
)
LIFT_BEND = Constant(1.0, 1.0, "1", "n of CL = L S/(n S+1): 0 where linear in S, 2 in S/(2S+1)")
LIFT_MEETS_AT = 0.5  # S at which lift of any bend is alike
SPIN_DECAY_PS = Constant(
    0.07, 0.02, "1/s", "still-air torque, Sawatzki 1970, from memory: 0.05-0.09 at 30-100 rev/s"
)
TABLE_RESTITUTION_AT_REST = Constant(0.925, 0.015, "1", "Law 2.1.3 with drag: 0.90-0.91 at 2.4 m/s")
TABLE_RESTITUTION_SLOPE = Constant(0.010, 0.006, "s/m", "Inaba et al. 2017: e falls with speed")
TABLE_FRICTION = Constant(0.25, 0.06, "1", "Nakashima et al. 2010, from memory; T1 limit 0.6")
MAX_BALL_SPEED_MPS = Constant(35.0, 0.0, "m/s", "extremes near 30-32 m/s, from memory")

# --- what comes with the package ---------------------------------------------------------------
SHIPPED_NETWORK = Path(__file__).parent / "ball" / "detector" / "ball.onnx"
