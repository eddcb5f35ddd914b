"""Constants of the normal gravity formula (Geodetic Reference System 1980).

Source: H. Moritz, Geodetic Reference System 1980, Journal of Geodesy 74 (2000) 128: closed
formula of Somigliana, gamma = gamma_e (1 + k sin² phi) / sqrt(1 - e² sin² phi). The decrease
with height, 3.086e-6 s⁻², is the usual free-air gradient (common practice, no source). Against the
expansion to second order in the height (W. Heiskanen and H. Moritz, Physical Geodesy, 1967, eq.
2-124; from memory) it is off by less than 1e-4 m/s² between ``LOWEST`` and ``HIGHEST``, the
dry land of the earth.
"""

EQUATOR = 9.7803267715
SOMIGLIANA_K = 0.001931851353
ECCENTRICITY_SQUARED = 0.0066943800229
FREE_AIR_GRADIENT = 3.086e-6
LOWEST, HIGHEST = -500.0, 9000.0
"""Heights above the sea in m."""
