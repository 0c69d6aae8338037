//! Contract terms.
