//! Fixed-ratio polyphase upsampling to 48 kHz.
