"""The step Wiring: meter readings, listening, calculations, the hunt."""
