//! Relay outputs: GPIO character device, Raspberry Pi, simulated.

use crate::page::RelayId;

/// A relay line could not be claimed or set.
#[derive(Debug, thiserror::Error)]
#[error("relay {relay}: {line}: {cause}")]
pub struct RelayError {
    pub relay: String,
    pub line: String,
    pub cause: String,
}

/// All relays of the board. Dropping it puts every relay to rest.
pub trait RelayBank: Send {
    /// # Errors
    /// When the line refuses.
    fn set(&mut self, relay: RelayId, operated: bool) -> Result<(), RelayError>;
    /// Every relay to rest, even when some lines refuse.
    fn rest(&mut self);
}
