//! Chains of resistors between a source and a load, as chain matrices.

use super::quantity::Ohms;
use crate::sound::level::Db;

/// V1 = a V2 + b I2, I1 = c V2 + d I2.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoPort {
    a: f64,
    b: f64,
    c: f64,
    d: f64,
}

impl TwoPort {
    /// Straight through.
    pub const NONE: TwoPort = TwoPort {
        a: 1.0,
        b: 0.0,
        c: 0.0,
        d: 1.0,
    };

    pub fn series(ohms: f64) -> Self {
        TwoPort {
            b: ohms,
            ..TwoPort::NONE
        }
    }

    pub fn shunt(ohms: f64) -> Self {
        TwoPort {
            c: 1.0 / ohms,
            ..TwoPort::NONE
        }
    }

    /// This one, then the next.
    pub fn then(self, next: TwoPort) -> Self {
        TwoPort {
            a: self.a * next.a + self.b * next.c,
            b: self.a * next.b + self.b * next.d,
            c: self.c * next.a + self.d * next.c,
            d: self.c * next.b + self.d * next.d,
        }
    }

    /// A resistor from the input to the output, beside it.
    pub fn bridged(self, ohms: f64) -> Self {
        // Admittances of things side by side add up; these are reciprocal, so that y12 = y21 = -1/b.
        let g = 1.0 / ohms;
        let (y11, y12, y22) = (self.d / self.b + g, -1.0 / self.b - g, self.a / self.b + g);
        TwoPort {
            a: -y22 / y12,
            b: -1.0 / y12,
            c: (y12 * y12 - y11 * y22) / y12,
            d: -y11 / y12,
        }
    }

    /// What the source sees.
    pub fn input(self, load: Ohms) -> Ohms {
        Ohms((self.a * load.0 + self.b) / (self.c * load.0 + self.d))
    }

    /// What the load sees.
    pub fn output(self, source: Ohms) -> Ohms {
        Ohms((self.d * source.0 + self.b) / (self.c * source.0 + self.a))
    }

    /// Voltage across the load, of 1 V of the source without a load.
    pub fn transfer(self, source: Ohms, load: Ohms) -> f64 {
        load.0 / (self.a * load.0 + self.b + source.0 * (self.c * load.0 + self.d))
    }

    /// Of the power that the source has to give, to what the load gets.
    pub fn loss(self, source: Ohms, load: Ohms) -> Db {
        let v = self.transfer(source, load);
        let (given, got) = (0.25 / source.0, v * v / load.0);
        Db((10.0 * (given / got).log10()) as f32)
    }
}
