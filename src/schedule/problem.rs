//! What is to be scheduled: blocks with their sections in the order of work, machines with the times at which they
//! run, and what a move costs.

use super::time::{Second, Stretch, union};
use super::wood::Wood;
use crate::model::{MachineKind, SectionKey, ShiftClass, StripKind};

/// Thousandths of a second at the standard pace, the unit of work.
pub type Work = i64;

/// Work in an hour at the standard pace.
pub const HOUR: Work = 3_600_000;
/// The pace of a machine that needs just the hours of the layout: milliseconds per second of work.
pub const STANDARD_PACE: i64 = 1000;

/// The least time, in whole seconds, in which work is done at a pace.
pub fn seconds_for(work: Work, pace: i64) -> i64 {
    let exact = i128::from(work) * i128::from(pace);
    i64::try_from((exact + 999_999).div_euclid(1_000_000)).unwrap_or(i64::MAX)
}

/// The work done in a time at a pace, rounded down.
pub fn work_in(seconds: i64, pace: i64) -> Work {
    let exact = i128::from(seconds) * 1_000_000 / i128::from(pace.max(1));
    i64::try_from(exact).unwrap_or(i64::MAX)
}

#[derive(Clone, Debug)]
pub struct Problem {
    /// The period; no window of a machine reaches beyond it.
    pub period: Stretch,
    pub blocks: Vec<Block>,
    pub machines: Vec<Machine>,
    pub moves: Moves,
    /// What is wanted at the roadside.
    pub wood: Wood,
}

impl Problem {
    /// When it is light at any block.
    pub fn light(&self) -> Vec<Stretch> {
        let blocks = self.blocks.iter();
        union(blocks.flat_map(|block| block.light.clone()).collect())
    }
}

#[derive(Clone, Debug)]
pub struct Block {
    pub id: String,
    /// A place inside, work CRS, metres.
    pub place: [f64; 2],
    /// When work by daylight may be done there, sorted.
    pub light: Vec<Stretch>,
    /// Not before, not after.
    pub open: Stretch,
    /// A smaller number goes first.
    pub priority: i64,
    pub units: Vec<Unit>,
    /// When ground that is not always open may be worked, each sorted.
    pub windows: Vec<Vec<Stretch>>,
    /// Blocks so near that falling trees could hurt whoever works there: never cut at once. Sorted, without itself.
    pub near: Vec<usize>,
    /// Names of the machines that may work there, of those that fell and of those that skid.
    pub only: Only,
    /// What it asks of them: `only` has none that falls short of it.
    pub needs: Needs,
}

/// Machines that a block is kept to; None: all.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Only {
    pub machines: Option<Vec<String>>,
    pub skidders: Option<Vec<String>>,
}

/// What the work of a block asks of a machine.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Needs {
    /// Of felling machines, metres; None: what the layout asks for.
    pub reach_m: Option<f64>,
    /// One of these, of felling machines and skidders; None: anything.
    pub runs_on: Option<Vec<MachineKind>>,
}

/// What is known of a machine; what nobody says it does not have.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Able {
    pub reach_m: Option<f64>,
    pub runs_on: Option<MachineKind>,
}

impl Only {
    /// Whether a felling machine may work there.
    pub fn takes(&self, machine: &str) -> bool {
        let all = self.machines.as_ref();
        all.is_none_or(|all| all.iter().any(|own| own == machine))
    }

    pub fn takes_skidder(&self, skidder: &str) -> bool {
        let all = self.skidders.as_ref();
        all.is_none_or(|all| all.iter().any(|own| own == skidder))
    }
}

impl Block {
    /// When a unit may be worked; None: always.
    pub fn window(&self, unit: &Unit) -> Option<&[Stretch]> {
        Some(self.windows.get(unit.window?)?)
    }
}

/// A section that is still to be cut.
#[derive(Clone, Debug, PartialEq)]
pub struct Unit {
    pub key: SectionKey,
    pub kind: StripKind,
    pub class: ShiftClass,
    /// Place of its piece in the order of strips.
    pub order: u32,
    /// More than 0.
    pub work: Work,
    /// No ground of the section is steeper, rise over run; None where no slopes are known.
    pub slope: Option<f64>,
    /// Which of the block's windows it comes under; None: it is always open.
    pub window: Option<usize>,
}

impl Unit {
    /// Whether it is never cut in the dark: day-only ground, and prework of any class.
    pub fn needs_light(&self) -> bool {
        self.class == ShiftClass::DayOnly || self.kind != StripKind::Interior
    }
}

#[derive(Clone, Debug)]
pub struct Machine {
    pub name: String,
    /// What it may do.
    pub kinds: Vec<StripKind>,
    /// Steepest ground it may enter, rise over run.
    pub max_slope: f64,
    pub able: Able,
    /// May it work in the dark?
    pub night: bool,
    /// Sorted, without overlap; service and fuelling are left out.
    pub windows: Vec<Window>,
    pub upkeep: Upkeep,
    /// Where it stands at first; None: wherever its first block is.
    pub start: Option<[f64; 2]>,
}

/// A machine is looked after so long before its first work, s.
const BEFORE_WORK_S: i64 = 43_200;

/// When a machine is serviced and fuelled, always where it is light at every block. None of it lies in its windows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Upkeep {
    /// Sorted, without overlap.
    pub service: Vec<Stretch>,
    /// Sorted, without overlap with each other and with service.
    pub fuel: Vec<Stretch>,
    /// Seconds that it runs from one fuelling to the next at the most; None: nobody says.
    pub tank_s: Option<i64>,
    /// When it stands in its shifts with an empty tank and waits for light.
    pub dry: Vec<Stretch>,
}

impl Upkeep {
    /// Whether a machine that works in some stretches is looked after in a slot: from half a day before its first work to its last.
    pub fn is_needed(slot: Stretch, work: &[Stretch]) -> bool {
        let first = work.iter().map(|span| span.from).min();
        let last = work.iter().map(|span| span.to).max();
        let begun = first.is_some_and(|first| slot.to + BEFORE_WORK_S > first);
        begun && last.is_some_and(|last| slot.from < last)
    }

    /// Service and fuelling.
    pub fn slots(&self) -> Vec<Stretch> {
        union(self.service.iter().chain(&self.fuel).copied().collect())
    }
}

/// A time in which a machine runs without a break.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    pub span: Stretch,
    /// Which of the machine's shifts it belongs to, for the caller.
    pub shift: usize,
    /// Milliseconds of the machine for a second of work: machine's and operator's factors.
    pub pace: i64,
}

impl Machine {
    pub fn may_cut(&self, unit: &Unit) -> bool {
        self.kinds.contains(&unit.kind) && unit.slope.is_none_or(|slope| slope <= self.max_slope)
    }

    pub fn spans(&self) -> Vec<Stretch> {
        self.windows.iter().map(|window| window.span).collect()
    }
}

/// Time to move a machine between two places.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moves {
    /// Way over distance as the crow flies.
    pub detour: f64,
    /// Up to this way the machine walks, metres.
    pub walk_up_to_m: f64,
    pub walk_m_per_s: f64,
    pub haul_m_per_s: f64,
    /// Loading and unloading, seconds.
    pub haul_fixed_s: i64,
}

impl Moves {
    pub fn seconds(&self, from: [f64; 2], to: [f64; 2]) -> i64 {
        let way = (from[0] - to[0]).hypot(from[1] - to[1]) * self.detour;
        if way <= self.walk_up_to_m {
            return (way / self.walk_m_per_s).ceil() as i64;
        }
        self.haul_fixed_s + (way / self.haul_m_per_s).ceil() as i64
    }
}

/// One stretch of a machine's time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Task {
    pub machine: usize,
    pub shift: usize,
    pub block: usize,
    pub what: What,
    pub span: Stretch,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// To the block.
    Move,
    Cut {
        unit: usize,
        done: Work,
    },
}

/// Who does what when.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plan {
    /// By machine, then by time.
    pub tasks: Vec<Task>,
    /// Work that found no time.
    pub undone: Work,
    /// End of the last cut; None without any.
    pub finish: Option<Second>,
    pub moving_s: i64,
}
