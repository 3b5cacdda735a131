"""Monthly normals of Melbourne, Victoria, where January is summer, in degrees Celsius; January comes first.

LOW and HIGH are the mean daily minimum and maximum of 1991-2020 at Melbourne Airport, Bureau of Meteorology, WMO 94866,
37.67 S 144.83 E, 113 m. From the Climatological Standard Normals for 1991-2020 of the World Meteorological Organization
(World Data Center for Meteorology, Asheville, NCEI accession 0253808).

SPREAD is computed from other years and another station, since none is published with these normals: the standard
deviation between the ten years 1981-1990 (divisor 9) of the monthly mean temperature in Melbourne city, half the sum
of the mean daily maximum and minimum. Ten years tell each number to about a quarter of itself. The daily maxima are
MelTemp of the R package quantreg, from Hyndman, R. J., Bashtannyk, D. M. and Grunwald, G. K. (1996), Estimating and
visualizing conditional densities, J. Comput. Graph. Statist. 5, 315-336; the monthly means of the daily minima are
layout_ex1.csv of the tutorial fantastic-matplotlib; both go back to the Bureau of Meteorology. Both series leave out
one day of each leap year; whether the maxima lack 29 February or 31 December changes SPREAD by at most 0.04.
"""

LOW = (14.2, 14.4, 12.8, 10.1, 8.3, 6.4, 5.8, 6.0, 7.2, 8.7, 10.6, 12.3)
HIGH = (27.0, 26.7, 24.4, 20.6, 16.7, 14.0, 13.4, 14.7, 17.1, 20.0, 22.6, 24.8)
SPREAD = (1.8, 1.2, 1.3, 1.0, 0.5, 0.7, 0.8, 0.7, 0.9, 0.7, 0.8, 0.8)
