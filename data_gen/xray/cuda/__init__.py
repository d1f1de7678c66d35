"""The heavy parts of a scan on a CUDA card, compiled by numba-cuda from the same scalar functions as on the CPU.

Nothing outside this folder and `data_gen.device` imports it, so that an install without a card needs none of it.
"""
