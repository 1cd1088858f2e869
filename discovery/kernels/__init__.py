"""Compiled numeric loops: arrays in, arrays out, no column names; imports nothing of ours."""
