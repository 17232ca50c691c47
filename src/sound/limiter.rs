//! Look-ahead peak limiter.
