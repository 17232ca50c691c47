//! Small numbers that name things; each indexes a list of the checked plan.

macro_rules! id {
    ($(#[$doc:meta])* $name:ident($inner:ty)) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub struct $name(pub $inner);
    };
}

id!(
    /// A zone: one channel of a sound card with its amplifier.
    ZoneId(u16)
);
id!(
    /// A relay output.
    RelayId(u16)
);
id!(
    /// A source that may bid: an extension or a group.
    SourceId(u16)
);
id!(
    /// One page, from bid to record. Unique for the life of the process.
    PageId(u64)
);
id!(
    /// Precedence of a bid: 0 is lowest, 100 highest.
    Priority(u8)
);
