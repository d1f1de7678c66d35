"""Scoring a scan from a lab: read, locate, cut, judge, report."""
