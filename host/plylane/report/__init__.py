"""Figures and reports."""
