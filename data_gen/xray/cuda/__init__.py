"""The heavy parts of a scan on a CUDA card: CUDA C, and for the truth the CPU's own scalar functions by numba-cuda.

Nothing outside this folder and `data_gen.device` imports it, so that an install without a card needs none of it.
"""
