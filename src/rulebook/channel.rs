//! Where a stream's banks are taken to be, and how near to it nobody ever cuts or drives.

use super::{MeasuredFrom, RuleLine, Test};
use crate::model::{LayerKind, RuleId};

/// A stream drawn as a line of which no channel is known is still as wide as this to each side of the line: own
/// judgement, docs/algorithms.md.
pub const LEAST_BARRIER_M: f64 = 1.0;
/// Id of what stands for a barrier in zones and tables.
pub const BARRIER_RULE: &str = RuleId::StreamBarrier.key();
/// What a barrier cites.
pub const BARRIER_SOURCE: &str = "own judgement (docs/algorithms.md, Streams are barriers): a mapped stream is not cut or driven \
                                  through where no crossing is mapped";

/// What the channel of a feature is, before any rule is asked.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Channel {
    /// It has none: a surface with its own edge, or no water.
    None,
    /// A stream drawn as a line, and its width in metres where that is known.
    OfLine(Option<f64>),
}

impl Channel {
    /// Of a feature of this kind, drawn as a line or not.
    pub fn of(kind: LayerKind, is_line: bool, width_m: Option<f64>) -> Channel {
        match kind {
            LayerKind::Streams if is_line => Channel::OfLine(width_m),
            _ => Channel::None,
        }
    }

    /// Where the banks are taken to be by a class of streams; None: of a class that nobody has a line for.
    pub fn bank(self, rule: Option<&RuleLine>) -> Bank {
        let Channel::OfLine(width_m) = self else {
            return Bank::default();
        };
        let widest_m = rule.and_then(|rule| rule.channel_up_to_m);
        let narrowest_m = rule.map_or(0.0, RuleLine::narrowest_channel_m);
        // A width of 0 is a stream that somebody mapped, and no width.
        let known_m = width_m.filter(|&width_m| width_m > 0.0);
        let channel_m = width_m.or(widest_m).unwrap_or(0.0);
        let barrier_m = match known_m {
            Some(width_m) => width_m / 2.0,
            None => (narrowest_m / 2.0).max(LEAST_BARRIER_M),
        };
        let bank = Bank {
            half_m: channel_m / 2.0,
            assumed: width_m.is_none(),
            at_least: width_m.is_none() && widest_m.is_none(),
            barrier_m,
        };
        match rule.map(|rule| rule.measured_from) {
            // Nothing is added to the line, so what its width is does not matter to the rule.
            Some(MeasuredFrom::Centreline) => Bank {
                half_m: 0.0,
                assumed: false,
                at_least: false,
                ..bank
            },
            _ => bank,
        }
    }
}

/// Where the banks of a stream drawn as a line are taken to be.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bank {
    /// From the line to where the distances of the rule begin.
    pub half_m: f64,
    /// True: no width is known, and the class's own stands in.
    pub assumed: bool,
    /// True: and the class has no widest channel, so that distances are counted from the line.
    pub at_least: bool,
    /// Nearer than this to the line nothing is cut or driven, whatever the rule asks.
    pub barrier_m: f64,
}

impl RuleLine {
    /// The narrowest channel of the class by its definition, in metres; 0 where that names none.
    pub fn narrowest_channel_m(&self) -> f64 {
        let lows = self
            .when
            .iter()
            .filter_map(|condition| match &condition.test {
                Test::Range { range, .. } if condition.fact == "channel" => {
                    Some(range.low.as_ref()?.value)
                }
                _ => None,
            });
        lows.fold(0.0, f64::max)
    }

    /// How far from a feature as drawn this line keeps the machine, what is cut, and what owes a share of trees.
    pub(super) fn keeps_off_m(&self, channel: Channel) -> [f64; 3] {
        let bank = channel.bank(Some(self));
        let widths = self.widest();
        let cut_m = (bank.half_m + widths.reserve_m).max(bank.barrier_m);
        [
            cut_m.max(bank.half_m + widths.machine_exclusion_m),
            cut_m,
            bank.half_m + widths.reserve_m + widths.management_m,
        ]
    }
}
