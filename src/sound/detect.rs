//! Is somebody speaking? For the quiet limit.
