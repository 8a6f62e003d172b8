"""Loops over cells: pure functions of arrays and floats, compiled once by wrapping.

Every kernel is written as a plain function with a leading underscore and compiled under the name
without it, so that the plain form can be tested too. Kernels check nothing: shapes, kinds and
finite values are the business of their callers in ``geo.terrain``.
"""
