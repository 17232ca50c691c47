//! Digest access authentication (RFC 8760 over RFC 7616 and RFC 2617).
