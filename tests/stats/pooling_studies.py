"""Published tables of studies, typed in as facts with their source."""

from __future__ import annotations

import numpy as np

# BCG vaccine against tuberculosis, 13 trials. Colditz GA et al. JAMA 1994; 271: 698-702.
# Tuberculosis and none among vaccinated, the same among controls, absolute latitude.
BCG = np.array([
    (4, 119, 11, 128, 44), (6, 300, 29, 274, 55), (3, 228, 11, 209, 42), (62, 13536, 248, 12619, 52),
    (33, 5036, 47, 5761, 13), (180, 1361, 372, 1079, 44), (8, 2537, 10, 619, 19), (505, 87886, 499, 87892, 13),
    (29, 7470, 45, 7232, 27), (17, 1699, 65, 1600, 42), (186, 50448, 141, 27197, 18), (5, 2493, 3, 2338, 33),
    (27, 16886, 29, 17825, 33),
])  # fmt: skip
BCG_TABLES = BCG[:, :4].reshape(-1, 2, 2)
BCG_LATITUDE = BCG[:, 4]

# Lidocaine after heart attack, deaths: n and deaths treated, n and deaths controls. Hine LK et al. JAMA
# 1989, as in Normand SLT. Statistics in Medicine 1999; 18: 321-359.
HINE = [
    (39, 2, 43, 1),
    (44, 4, 44, 4),
    (107, 6, 110, 4),
    (103, 7, 100, 5),
    (110, 7, 106, 3),
    (154, 11, 146, 4),
]
HINE_TABLES = np.array([[[a, n1 - a], [c, n0 - c]] for n1, a, n0, c in HINE])

# Days in hospital after stroke, specialist and routine care: n, mean, SD of each. Normand 1999.
NORMAND = np.array([
    (155, 55, 47, 156, 75, 64), (31, 27, 7, 32, 29, 4), (75, 64, 17, 71, 119, 29), (18, 66, 20, 18, 137, 48),
    (8, 14, 8, 13, 18, 11), (57, 19, 7, 52, 18, 4), (34, 52, 45, 33, 41, 34), (110, 21, 16, 183, 31, 27),
    (60, 30, 27, 52, 23, 20),
])  # fmt: skip

# Beta blockers after heart attack, deaths: treated of n, controls of n. Yusuf S et al. Progress in
# Cardiovascular Diseases 1985; 27: 335-371, table 6, without one trial that has no numbers.
YUSUF = [
    (14, 56, 15, 58), (18, 66, 19, 64), (15, 100, 12, 95), (10, 52, 12, 47), (21, 226, 24, 228),
    (3, 38, 6, 31), (2, 20, 3, 20), (19, 76, 15, 67), (15, 106, 9, 114), (5, 62, 4, 57), (0, 9, 0, 8),
    (8, 133, 11, 127), (3, 48, 3, 49), (0, 16, 0, 13), (1, 42, 1, 46), (0, 25, 3, 25), (14, 221, 15, 228),
    (0, 11, 0, 11), (8, 259, 7, 129), (6, 157, 4, 158), (3, 177, 2, 136),
]  # fmt: skip
YUSUF_TABLES = np.array([[[a, n1 - a], [c, n0 - c]] for a, n1, c, n0 in YUSUF])
