"""Detectors: one protocol, the rules, the network, saved model folders."""
