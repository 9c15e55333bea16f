"""Tables of rolls: one row a pass, and the shape of each."""

from __future__ import annotations

from benchpipe.columns import LOSSES, Column
from benchpipe.columns import column as _c

ROLLS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("roll", "int32", "1", "number of the pass, from 1: each way counts"),
    _c("direction", "string", "", "forward (heel to toe) or back"),
    _c("axes", "string", "", "foot, ankle-foot (axes of the shank) or knee-ankle-foot (axes of the leg)"),
    _c("plate", "int64", "1", "number of the plate, where the log shows it", null=True),
    _c("start_us", "int64", "us", "first sample of the window"),
    _c("duration_s", "float64", "s", "length of the window"),
    _c("samples", "int32", "1", "samples in the window"),
    _c("tilt_low_deg", "float64", "deg", "smallest tilt in the window"),
    _c("tilt_high_deg", "float64", "deg", "largest tilt in the window"),
    _c("force_peak_n", "float64", "N", "largest force of the stretch under load"),
    _c("force_mean_n", "float64", "N", "mean force in the window"),
    _c("curvature_per_m", "float64", "1/m", "of the arc of least squares; above zero: a rocker", null=True),
    _c("curvature_per_m_u", "float64", "1/m", "its standard uncertainty from the noise in this pass", null=True),
    _c("curvature_dof", "float64", "1", "degrees of freedom behind it", null=True),
    _c("radius_m", "float64", "m", "one by the curvature, where that is over 4 standard uncertainties", null=True),
    _c("arc_length_mm", "float64", "mm", "length of the arc rolled over in the window", null=True),
    _c("foot_length_ratio", "float64", "1", "heel to the front end of the arc, as a part of foot_length", null=True),
    _c("slope_mm", "float64", "mm", "rolling slope: travel along the plate per radian of tilt", null=True),
    _c("slope_mm_u", "float64", "mm", "its standard uncertainty from correlated noise in this pass", null=True),
    _c("slope_dof", "float64", "1", "degrees of freedom behind it", null=True),
    _c("slope_heel_mm", "float64", "mm", "rolling slope in the first third of the tilt", null=True),
    _c("slope_mid_mm", "float64", "mm", "in the middle third", null=True),
    _c("slope_fore_mm", "float64", "mm", "in the last third", null=True),
    _c("stiffness", "float64", "N*m/deg", "moment of the vertical force about the ankle, a degree of tilt", null=True),
    _c("stiffness_u", "float64", "N*m/deg", "its standard uncertainty from correlated noise in this pass", null=True),
    _c("stiffness_dof", "float64", "1", "degrees of freedom behind it", null=True),
    _c("rms_mm", "float64", "mm", "root mean square distance from the arc", null=True),
    _c("rho", "float64", "1", "autocorrelation of neighbouring distances", null=True),
    _c("tangent_deg", "float64", "deg", "direction of the arc in its middle, from across the shank", null=True),
    _c("by_cop", "float64", "1/m", "change of the curvature for a relative change of cop", null=True),
    _c("by_ankle", "float64", "1/m", "the same for the place of the ankle", null=True),
    _c("by_tilt", "float64", "1/m", "the same for the tilt", null=True),
    *LOSSES,
    _c("remark", "string", "", "why there is no figure, or what to know about it", null=True),
)  # fmt: skip
ROLL_POINTS: tuple[Column, ...] = (
    _c("block", "string", "", "block of the plan"),
    _c("roll", "int32", "1", "number of the pass"),
    _c("direction", "string", "", "forward (heel to toe) or back"),
    _c("x_m", "float64", "m", "centre of pressure forward of the ankle, across the shank; mean of neighbours"),
    _c("y_m", "float64", "m", "along the shank, above zero towards the knee"),
    _c("tilt_deg", "float64", "deg", "tilt of the shank"),
)
