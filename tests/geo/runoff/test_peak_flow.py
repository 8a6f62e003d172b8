"""The whole of TR-55's table F-1, written down a second time (from memory), against the module."""

import itertools

import numpy as np
import pytest

from geo.runoff.peak_flow import unit_peak_csm_in

# USDA, "Urban Hydrology for Small Watersheds", TR-55, 2nd ed., 1986, appendix F, table F-1:
# rainfall type, then rows of Ia/P, C0, C1, C2
TABLE_F_1 = """
I    .10 2.30550 -.51429 -.11750
I    .20 2.23537 -.50387 -.08929
I    .25 2.18219 -.48488 -.06589
I    .30 2.10624 -.45695 -.02835
I    .35 2.00303 -.40769  .01983
I    .40 1.87733 -.32274  .05754
I    .45 1.76312 -.15644  .00453
I    .50 1.67889 -.06930  .0
IA   .10 2.03250 -.31583 -.13748
IA   .20 1.91978 -.28215 -.07020
IA   .25 1.83842 -.25543 -.02597
IA   .30 1.72657 -.19826  .02633
IA   .50 1.63417 -.09100  .0
II   .10 2.55323 -.61512 -.16403
II   .30 2.46532 -.62257 -.11657
II   .35 2.41896 -.61594 -.08820
II   .40 2.36409 -.59857 -.05621
II   .45 2.29238 -.57005 -.02281
II   .50 2.20282 -.51599 -.01259
III  .10 2.47317 -.51848 -.17083
III  .30 2.39628 -.51202 -.13245
III  .35 2.35477 -.49735 -.11985
III  .40 2.30726 -.46541 -.11094
III  .45 2.24876 -.41314 -.11508
III  .50 2.17772 -.36803 -.09525
"""
ROWS = [line.split() for line in TABLE_F_1.strip().splitlines()]


@pytest.mark.parametrize(("kind", "ratio", "c0", "c1", "c2"), ROWS)
@pytest.mark.parametrize("hours", [0.1, 0.37, 1.0, 2.9, 10.0])
def test_every_row_of_the_table(kind, ratio, c0, c1, c2, hours):
    t = np.log10(hours)
    wanted = 10 ** (float(c0) + float(c1) * t + float(c2) * t * t)
    got = unit_peak_csm_in(hours, float(ratio), rainfall_type=kind)
    assert got == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize("kind", ["I", "IA", "II", "III"])
def test_between_two_rows_coefficients_are_weighed_and_beyond_the_ends_kept(kind):
    rows = [[float(v) for v in row[1:]] for row in ROWS if row[0] == kind]
    for low, high in itertools.pairwise(rows):
        ratio = 0.25 * low[0] + 0.75 * high[0]
        c0, c1, c2 = (0.25 * a + 0.75 * b for a, b in zip(low[1:], high[1:], strict=True))
        t = np.log10(3.0)
        got = unit_peak_csm_in(3.0, ratio, rainfall_type=kind)
        assert got == pytest.approx(10 ** (c0 + c1 * t + c2 * t * t), rel=1e-9)
    ends = unit_peak_csm_in(3.0, [0.0, rows[0][0], rows[-1][0], 0.9], rainfall_type=kind)
    assert ends[0] == ends[1]
    assert ends[2] == ends[3]
    # times beyond the method's limits are taken as these
    np.testing.assert_array_equal(
        unit_peak_csm_in([0.01, 0.1, 10, 99], 0.2, rainfall_type=kind)[[0, 3]],
        unit_peak_csm_in([0.1, 10], 0.2, rainfall_type=kind),
    )
