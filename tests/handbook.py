"""Series of handbooks and papers that several tests check against, each with where it stands."""

import numpy as np

# Patients seen within 4 hours and all attendances, 20 weeks of emergency departments in England: Mohammed et al.,
# BMJ Qual Saf 2013;22:362-8.
WEEKLY_SEEN = np.array(
    [
        266501,
        264225,
        276532,
        281461,
        269071,
        261215,
        270409,
        279778,
        270483,
        270320,
        267923,
        271478,
        255353,
        256820,
        261835,
        259144,
        255910,
        260863,
        264465,
        260989,
    ],
    dtype=float,
)
WEEKLY_ATTENDED = np.array(
    [
        280443,
        276823,
        291681,
        296155,
        282343,
        275888,
        283867,
        295251,
        284468,
        282529,
        279618,
        283932,
        266629,
        268091,
        276803,
        271578,
        266005,
        273520,
        278574,
        273772,
    ],
    dtype=float,
)
# Orange juice cans: defectives in 30 samples of 50, Montgomery, Introduction to Statistical Quality Control.
CANS = np.array(
    [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6],
    dtype=float,
)
# Single values, NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
SINGLE_VALUES = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
# Nonconformities in 26 samples of printed circuit boards, Montgomery.
BOARDS = np.array(
    [21, 24, 16, 12, 15, 5, 28, 20, 31, 25, 20, 24, 16, 19, 10, 17, 13, 22, 18, 39, 30, 24, 16, 19, 17, 15], dtype=float
)
# Defects in dyed cloth and units inspected, Montgomery (from memory).
CLOTH_DEFECTS = np.array([14, 12, 20, 11, 7, 10, 21, 16, 19, 23], dtype=float)
CLOTH_UNITS = np.array([10, 8, 13, 10, 9.5, 10, 12, 10.5, 12, 12.5])
