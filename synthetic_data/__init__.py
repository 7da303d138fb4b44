"""A simulated cohort from an invented hospital, with the planted truth, and the writer of extracts.

The hospital, its wards, its patients and every figure about them are made up; nothing here describes a real
place or a real person.
"""
