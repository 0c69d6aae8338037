//! Statistics: intervals and quantiles.
