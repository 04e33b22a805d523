"""Pure colour science: no files, no pictures; numpy only.

Modules: `srgb` (transfer function, primaries), `lab` (CIELAB, LCh, Oklab), `adaptation` (Bradford),
`difference` (CIEDE2000), `cam16`, `correction` (root-polynomial colour correction).
"""
