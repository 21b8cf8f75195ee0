"""The corpus reaches the analytic bodies and scans of its neighbours."""

from apart import reach_all

reach_all()
