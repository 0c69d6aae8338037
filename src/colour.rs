//! Colour: sRGB, CIELAB (D65), white balance and illumination.
