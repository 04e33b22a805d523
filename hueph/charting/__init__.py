"""Calibrate: make a chart file from scans or photographs of a printed chart, and watch its print age."""

from __future__ import annotations

from hueph.charting.calibrate import (
    Calibration,
    calibrate_picture,
    calibrate_pictures,
    check_ph,
    parse_ph_list,
)
from hueph.charting.drift import DriftReport, check_drift
from hueph.charting.preview import draw_preview, save_preview
from hueph.charting.printed import calibrate_card

__all__ = [
    "Calibration",
    "DriftReport",
    "calibrate_card",
    "calibrate_picture",
    "calibrate_pictures",
    "check_drift",
    "check_ph",
    "draw_preview",
    "parse_ph_list",
    "save_preview",
]
