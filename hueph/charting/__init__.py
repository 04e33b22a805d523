"""Calibrate: make a chart file from a scan or a photograph of a printed chart."""

from __future__ import annotations

from hueph.charting.calibrate import calibrate_picture

__all__ = ["calibrate_picture"]
