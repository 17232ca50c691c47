//! Named telephone events (RFC 4733).
