//! The rules that rows are about: id, title and unit of each in one place, so that layouts and audits, which measure apart from one
//! another, call the same by the same name.

use super::words::Word;

/// Who has rows of a rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Judges {
    Layout,
    Audit,
    Both,
}

/// Names a row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Named {
    pub id: String,
    pub title: String,
    pub unit: Word,
}

impl Named {
    /// Of one line of a rulebook, a heading, a portfolio: `reserve:stream-s3`.
    pub fn of(mut self, which: &str) -> Named {
        self.id += &format!(":{which}");
        self
    }

    /// Says in the title what it is about.
    pub fn about(mut self, what: &str) -> Named {
        self.title += what;
        self
    }

    /// With a title of its own.
    pub fn titled(mut self, title: impl Into<String>) -> Named {
        self.title = title.into();
        self
    }

    /// Measured otherwise than most rows of its rule.
    pub fn in_unit(mut self, unit: Word) -> Named {
        self.unit = unit;
        self
    }
}

macro_rules! rules {
    ($($rule:ident $key:literal $unit:literal $judges:ident $title:literal;)*) => {
        /// A rule that rows may be about. Its id is the row's, or what stands before the colon of it.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum RuleId {
            $($rule,)*
        }

        impl RuleId {
            pub const ALL: &[RuleId] = &[$(RuleId::$rule,)*];

            pub const fn key(self) -> &'static str {
                match self {
                    $(RuleId::$rule => $key,)*
                }
            }

            /// Of what most of its rows measure.
            pub const fn unit(self) -> Word {
                match self {
                    $(RuleId::$rule => $unit,)*
                }
            }

            /// Of most of its rows, or what their titles begin with; empty where each has its own.
            pub const fn title(self) -> &'static str {
                match self {
                    $(RuleId::$rule => $title,)*
                }
            }

            pub const fn judges(self) -> Judges {
                match self {
                    $(RuleId::$rule => Judges::$judges,)*
                }
            }
        }
    };
}

rules! {
    RetentionShare "retention-share" "share" Both "Retention share";
    ManagementShare "management-share" "share" Both "Share of the management zone left standing";
    ManagementTrees "management-trees" "trees/100 m" Both "";
    PortfolioShare "portfolio-share" "share" Both "Retention share of ";
    InfluenceArea "influence-area" "share" Both "";
    TrailOccupancy "trail-occupancy" "share" Both "Share of the net area taken by trails";
    LargestOpening "largest-opening" "ha" Both "Largest piece of ground felled in one, corridors in it included: at most";
    DeckShare "deck-share" "share" Layout "Length of decks along roads, as a share of the road frontage: at most";
    DeckDepth "deck-depth" "m" Layout "Depth of decks of ";
    RoadBand "road-band" "m" Both "No retention in the road band";
    Reserve "reserve" "m" Both "Nothing cut or driven within the reserve";
    StreamBarrier "stream-barrier" "m" Both "No stream cut or driven through where no crossing is mapped, counted from the line as drawn";
    MachineExclusion "machine-exclusion" "m" Both "No machine on excluded ground";
    PowerLineLimit "power-line-limit" "m" Both "Nothing cut or driven within the limit of approach of a power line, a machine's half width added where it drives";
    PowerLineBelt "power-line-belt" "ha" Both "No tree cut that could fall into the limit of approach of a power line, without its owner's word";
    InsideBlock "inside-block" "m" Both "Nothing cut outside the block";
    BlockEdge "block-edge" "m" Layout "Nothing cut nearer to the block's edge than that may be off";
    StripWidth "strip-width" "m" Both "Strips no wider than the machine reaches, less its margin";
    Reach "reach" "m" Both "Everything cut lies within the machine's reach of a line it drives";
    CorridorWidth "corridor-width" "m" Both "Corridors no narrower than set";
    CorridorWidthMost "corridor-width-most" "m" Both "Corridors no wider than set";
    CorridorSpacings "corridor-spacings" "spacings" Both "Corridors as many trees wide as asked";
    WindEdge "wind-edge" "m" Both "Edges of retention and reserves that face the wind over cut ground";
    WindNarrow "wind-narrow" "pieces" Both "";
    WindCorner "wind-corner" "corners" Layout "Sharp corners of retained pieces at edges that face the wind: none";
    MaxSlope "max-slope" "share" Both "Nothing driven on ground steeper than the machine may go";
    SlopeFeller "slope-feller" "share" Both "Nothing driven ";
    SlopeSkidder "slope-skidder" "share" Layout "Nothing skidded ";
    NightSlope "night-slope" "share" Layout "Nothing night-safe on ground steeper than the night limit, or of unknown slope";
    NightHazard "night-hazard" "m" Layout "Nothing night-safe nearer to a hazard than set";
    NightGround "night-ground" "m2" Layout "Nothing night-safe on brush or soft ground";
    NightWet "night-wet" "m2" Layout "Nothing night-safe on ground that may be wet, or of which nobody knows";
    NightEdge "night-edge" "m" Layout "Nothing night-safe nearer to boundary, reserves and ground left out than set, where no boundary pass lies between";
    AreasBalance "areas-balance" "m2" Layout "Gross = reserve + retained + cut + unworked";
    SetAsideFeature "set-aside-feature" "m" Layout "";
    AssumedCrs "assumed-crs" "" Both "";
    OverlappingBlocks "overlapping-blocks" "ha" Both "";
    UnknownNote "unknown-note" "" Layout "";
    RefusedNote "refused-note" "" Layout "";
    TrackGaps "track-gaps" "gaps" Audit "Interruptions of the tracks";
    TrackEnds "track-ends" "m" Audit "Ground ahead of the ends of the tracks";
    CutBeyondPlan "cut-beyond-plan" "ha" Audit "Ground cut that the plan does not cut";
    PlannedUncut "planned-uncut" "ha" Audit "Ground that the plan cuts and that still stands";
    AreaCut "area-cut" "ha" Audit "Area cut, against the area planned";
    DrivenBeyondPlan "driven-beyond-plan" "m" Audit "Driven away from every line, way and trail of the plan";
    PlannedUndriven "planned-undriven" "m" Audit "Lines of the plan that no track follows";
    CrossingBeyondPlan "crossing-beyond-plan" "crossings" Audit "Crossings driven over that the plan does not use";
    StandingTrees "standing-trees" "trees" Audit "Single trees found standing on ground that was cut";
    NightWork "night-work" "min" Audit "No work in the dark on ground for daylight only";
    ClosedWork "closed-work" "min" Audit "No work on ground that is closed on that day";
    ChangeRaster "change-raster" "share" Audit "Share of the block that the raster of change knows";
    CutInNoBlock "cut-in-no-block" "ha" Audit "Nothing cut away from every block";
    UnknownBlock "unknown-block" "features" Audit "Features of the cut with a block id that the project does not know";
    SetAsideCut "set-aside-cut" "features" Audit "Features of the cut near this block that could not be used";
    Cut "cut" "ha" Audit "What is cut of the block";
    Audit "audit" "" Audit "The block can be measured";
}

impl RuleId {
    /// The rule that a row's id names; None: a rulebook's own line.
    pub fn of(id: &str) -> Option<RuleId> {
        let key = id.split(':').next().unwrap_or_default();
        RuleId::ALL.iter().copied().find(|own| own.key() == key)
    }

    /// Whether a row is about this rule.
    pub fn is(self, id: &str) -> bool {
        RuleId::of(id) == Some(self)
    }

    /// A row's name by the table.
    pub fn named(self) -> Named {
        Named {
            id: self.key().to_owned(),
            title: self.title().to_owned(),
            unit: self.unit(),
        }
    }
}
