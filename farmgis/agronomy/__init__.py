"""The crop: reference evapotranspiration, crop coefficients, soil water."""
