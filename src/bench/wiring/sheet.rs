//! Parts, terminals, wires: what is connected, whatever it looks like on paper.

/// Indexes [`Sheet::parts`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct PartId(pub usize);

/// Indexes [`Sheet::wires`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct WireId(pub usize);

/// All that is on the sheets of a site.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    pub site: String,
    /// As it was given; it is only printed.
    pub date: Option<String>,
    /// The lines come out on the 40-pin header, so that it can be shown.
    pub has_header: bool,
    pub parts: Vec<Part>,
    pub wires: Vec<Wire>,
    /// In the order of drawing: each wire is in one of them, or in two where a relay leads on to another.
    pub circuits: Vec<Circuit>,
    /// What each relay state means.
    pub states: Vec<String>,
    /// What the config does not say.
    pub assumed: Vec<String>,
    /// What somebody has to look at before wiring.
    pub look: Vec<String>,
}

/// Letters of the designations; IEEE 315 and IEC 81346-2 differ, so the part list says what each one is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// X: where the board's lines come out.
    Board,
    /// B: coil drivers and their supply.
    RelayBoard,
    /// K
    Relay,
    /// U: output.
    CardOutput,
    /// U: input.
    CardInput,
    /// T
    Transformer,
    /// R: resistors that take level away.
    Pad,
    /// W
    Cable,
    /// A
    Amplifier,
    /// G
    MusicSource,
    /// M
    LineSource,
    /// S
    Contact,
    /// H
    Indicator,
}

impl Kind {
    pub fn letter(self) -> &'static str {
        match self {
            Kind::Board => "X",
            Kind::RelayBoard => "B",
            Kind::Relay => "K",
            Kind::CardOutput | Kind::CardInput => "U",
            Kind::Transformer => "T",
            Kind::Pad => "R",
            Kind::Cable => "W",
            Kind::Amplifier => "A",
            Kind::MusicSource => "G",
            Kind::LineSource => "M",
            Kind::Contact => "S",
            Kind::Indicator => "H",
        }
    }

    /// What stands in the part list.
    pub fn name(self) -> &'static str {
        match self {
            Kind::Board => "board",
            Kind::RelayBoard => "relay board",
            Kind::Relay => "relay",
            Kind::CardOutput => "sound card, output",
            Kind::CardInput => "sound card, input",
            Kind::Transformer => "transformer",
            Kind::Pad => "pad",
            Kind::Cable => "cable",
            Kind::Amplifier => "amplifier",
            Kind::MusicSource => "music source",
            Kind::LineSource => "line source",
            Kind::Contact => "contact",
            Kind::Indicator => "indicator",
        }
    }
}

#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Designation: `K1`.
    pub tag: String,
    pub kind: Kind,
    /// As in the config, where it has a name there; of a pad, its kind and loss.
    pub name: String,
    /// For the part list.
    pub about: String,
    pub terminals: Vec<String>,
}

/// A terminal of a part.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct End {
    pub part: PartId,
    /// Indexes [`Part::terminals`].
    pub terminal: usize,
}

/// Numbered from 1 as they stand in [`Sheet::wires`].
#[derive(Debug, Clone, PartialEq)]
pub struct Wire {
    pub from: End,
    pub to: End,
    pub conductor: String,
    pub remark: String,
}

/// Wires that are drawn together.
#[derive(Debug, Clone, PartialEq)]
pub enum Circuit {
    /// Card, transformer, pad, amplifier: two wires from each to the next, and the cable's screen to the amplifier.
    Line {
        title: String,
        amplifier: PartId,
        chain: Vec<PartId>,
        pairs: Vec<[WireId; 2]>,
        screen: Option<WireId>,
    },
    /// A relay's coil, and one of its contacts.
    Relay {
        title: String,
        relay: PartId,
        /// Change-over contact of the relay, from 0. The coil is drawn with the first one.
        pole: usize,
        /// To the relay board's input; `None` for a simulated relay, and where the coil is drawn elsewhere.
        coil: Option<WireId>,
        use_of: Use,
    },
    /// A pair between the board, or a card's input, and something outside.
    Pair {
        title: String,
        near: PartId,
        far: PartId,
        pair: [WireId; 2],
    },
    /// Feeds the relay board.
    Supply {
        title: String,
        board: PartId,
        relays: PartId,
        wires: Vec<WireId>,
    },
}

/// What a relay's contact is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Use {
    /// COM and NO to two terminals of an amplifier or indicator.
    Closes { part: PartId, no: WireId, com: WireId },
    /// COM and NC between music and amplifier; `back` is the other conductor of the pair, drawn with the last contact only.
    Music {
        from: PartId,
        into: PartId,
        com: WireId,
        nc: WireId,
        back: Option<WireId>,
        amplifier: PartId,
    },
    /// No zone names it and it shows nothing.
    Spare,
}

impl Circuit {
    pub fn title(&self) -> &str {
        match self {
            Circuit::Line { title, .. }
            | Circuit::Relay { title, .. }
            | Circuit::Pair { title, .. }
            | Circuit::Supply { title, .. } => title,
        }
    }

    /// The amplifier whose sheet it is on.
    pub fn amplifier(&self) -> Option<PartId> {
        match self {
            Circuit::Line { amplifier, .. } => Some(*amplifier),
            Circuit::Relay {
                use_of: Use::Closes { part, .. },
                ..
            } => Some(*part),
            Circuit::Relay {
                use_of: Use::Music { amplifier, .. },
                ..
            } => Some(*amplifier),
            _ => None,
        }
    }

    pub fn wires(&self) -> Vec<WireId> {
        match self {
            Circuit::Line { pairs, screen, .. } => pairs.iter().flatten().copied().chain(*screen).collect(),
            Circuit::Pair { pair, .. } => pair.to_vec(),
            Circuit::Supply { wires, .. } => wires.clone(),
            Circuit::Relay { coil, use_of, .. } => {
                let ends = match use_of {
                    Use::Closes { no, com, .. } => vec![*no, *com],
                    Use::Music { com, nc, back, .. } => [*com, *nc].into_iter().chain(*back).collect(),
                    Use::Spare => Vec::new(),
                };
                coil.iter().copied().chain(ends).collect()
            }
        }
    }
}

impl Sheet {
    pub fn part(&self, id: PartId) -> &Part {
        &self.parts[id.0]
    }

    pub fn wire(&self, id: WireId) -> &Wire {
        &self.wires[id.0]
    }

    pub fn of_kind(&self, kind: Kind) -> impl Iterator<Item = (PartId, &Part)> {
        let all = self.parts.iter().enumerate().map(|(i, part)| (PartId(i), part));
        all.filter(move |(_, part)| part.kind == kind)
    }

    /// `pin 11, GPIO 17`.
    pub fn terminal(&self, end: End) -> &str {
        &self.part(end.part).terminals[end.terminal]
    }

    /// `X1 pin 11, GPIO 17`.
    pub fn end(&self, end: End) -> String {
        format!("{} {}", self.part(end.part).tag, self.terminal(end))
    }

    /// The wires at a terminal.
    pub fn wires_at(&self, end: End) -> impl Iterator<Item = WireId> {
        let all = self.wires.iter().enumerate();
        all.filter(move |(_, wire)| wire.from == end || wire.to == end)
            .map(|(i, _)| WireId(i))
    }

    /// Not the terminal itself.
    pub fn far_end(&self, wire: WireId, end: End) -> End {
        let wire = self.wire(wire);
        if wire.from == end { wire.to } else { wire.from }
    }
}
