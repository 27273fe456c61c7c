"""Loops that run sample by sample: arrays and numbers in, arrays out; no gear, no settings.

Every kernel takes C-contiguous float64 (and int64 indices), so that each is compiled once.
Kernels do not raise, do not allocate in their inner loops, and write into arrays they are given.
"""
