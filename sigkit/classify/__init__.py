"""Pipelines, calibration, prediction sets, abstention, model store and cards."""
