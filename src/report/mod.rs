//! What happened: page records and journal messages.
