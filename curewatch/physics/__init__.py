"""Numbers and arrays: moist air, evaporation, the drying film, its spread. No records, no clock, no files.

SI inside: K, Pa, m, s, kg, J; relative humidity and all fractions are 0-1. Every function takes arrays that broadcast.
"""
