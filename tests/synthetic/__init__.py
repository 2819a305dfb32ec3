"""Invented rivers whose depth and speed are known exactly."""
