"""Showing: metrics, page, reports, drawings."""
