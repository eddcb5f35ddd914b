"""Constants of the normal gravity formula (Geodetic Reference System 1980).

Source: H. Moritz, Geodetic Reference System 1980, Journal of Geodesy 74 (2000) 128: closed
formula of Somigliana, gamma = gamma_e (1 + k sin² phi) / sqrt(1 - e² sin² phi). The decrease
with height, 3.086e-6 s⁻², is the usual free-air gradient (common practice, no source).
"""

EQUATOR = 9.7803267715
SOMIGLIANA_K = 0.001931851353
ECCENTRICITY_SQUARED = 0.0066943800229
FREE_AIR_GRADIENT = 3.086e-6
