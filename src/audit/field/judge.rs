//! What was measured in the field, set against what is required.

use std::collections::BTreeMap;

use serde::Serialize;

use super::draw::{FieldCheck, Stratum};
use super::inference::{Count, Estimate, estimate};
use super::{Sense, code, sense};
use crate::audit::row::{Judged, Leeway, Measure, ROUNDING_M, decided, shown};
use crate::model::{FieldMeasure, RuleId, Verdict};
use crate::rulebook::ReadStatus;

/// Of a row that somebody measured: what was found there, and what the layers alone said.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct InField {
    pub code: String,
    pub measured: Option<f64>,
    /// As stated; None: not told, and taken as none.
    pub error: Option<f64>,
    /// What is missing to the requirement, or too much; 0 or less: nothing.
    pub short: Option<f64>,
    pub on: String,
    pub by: String,
    pub photo: String,
    pub note: String,
    pub status_by_layers: Verdict,
    pub message_by_layers: String,
}

/// Over all places that were drawn.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FieldResult {
    /// Drawn and measured, of each stratum, and short of what is asked.
    pub strata: Vec<StratumResult>,
    /// Drawn places of which nobody measured anything.
    pub not_measured: Vec<u32>,
    /// Codes of measured places that were not drawn: judged, but no part of the estimate.
    pub not_drawn: Vec<String>,
    /// Faulty places among those that the layers do not fail.
    pub estimate: Estimate,
    /// Whether all of the sample was measured and nothing of it falls short.
    pub none_found: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct StratumResult {
    pub stratum: Stratum,
    pub places: u64,
    pub drawn: u64,
    pub measured: u64,
    /// Short by more than rounding, whatever the error of measuring.
    pub faulty: u64,
    /// Of these, short by no more than that error.
    pub within_error: u64,
}

/// Filled rows by the code of their place.
pub struct FieldResults {
    given: BTreeMap<String, FieldMeasure>,
    /// What is short, and the error, of each that was found and measured.
    found: BTreeMap<String, Option<(f64, f64)>>,
    seed: u64,
    road_band_fail_m: f64,
}

impl FieldResults {
    /// `seed`: of the draw. `road_band_fail_m`: retention nearer to a road's edge fails; up to what the row asks it warns.
    pub fn new(given: Vec<FieldMeasure>, seed: u64, road_band_fail_m: f64) -> FieldResults {
        let by_code = given.into_iter().map(|own| (own.code.clone(), own));
        FieldResults {
            given: by_code.collect(),
            found: BTreeMap::new(),
            seed,
            road_band_fail_m,
        }
    }

    /// Judges the rows of one block anew where they were measured.
    ///
    /// # Errors
    /// A figure for a place at which no single figure decides; with where it stands.
    pub fn judge(&mut self, block_id: &str, rows: &mut [Judged]) -> Result<(), NotMeasurable> {
        if self.given.is_empty() {
            return Ok(());
        }
        let mut seen: BTreeMap<String, usize> = BTreeMap::new();
        for judged in rows {
            let rule_id = judged.row.row.rule_id.clone();
            let nth = seen.entry(rule_id.clone()).or_default();
            let key = code(self.seed, block_id, &rule_id, *nth);
            *nth += 1;
            if let Some(own) = self.given.get(&key) {
                let found =
                    apply(judged, own, self.road_band_fail_m).ok_or_else(|| NotMeasurable {
                        place: own.place.clone(),
                        code: key.clone(),
                        title: judged.row.row.title.clone(),
                    })?;
                self.found.insert(key, found);
            }
        }
        Ok(())
    }

    /// Filled rows that no row of the audit has the code of.
    pub fn unknown(&self) -> impl Iterator<Item = &FieldMeasure> {
        let given = self.given.values();
        given.filter(|own| !self.found.contains_key(&own.code))
    }

    /// What the measured places say of all.
    pub fn conclude(&self, check: &FieldCheck) -> FieldResult {
        let mut strata: Vec<StratumResult> = (check.strata.iter())
            .map(|own| StratumResult {
                stratum: own.stratum,
                places: own.places,
                drawn: own.drawn,
                measured: 0,
                faulty: 0,
                within_error: 0,
            })
            .collect();
        let mut not_measured = Vec::new();
        for place in &check.places {
            let Some(&Some((short, error))) = self.found.get(&place.code) else {
                not_measured.push(place.no);
                continue;
            };
            if let Some(own) = strata.iter_mut().find(|own| own.stratum == place.stratum) {
                own.measured += 1;
                let faulty = short > ROUNDING_M;
                own.faulty += u64::from(faulty);
                own.within_error += u64::from(faulty && short <= error + ROUNDING_M);
            }
        }
        let drawn: std::collections::BTreeSet<&str> =
            check.places.iter().map(|place| &*place.code).collect();
        let sampled: Vec<Count> = (strata.iter())
            .filter(|own| own.stratum != Stratum::Fails)
            .map(|own| Count {
                places: own.places,
                drawn: own.drawn,
                measured: own.measured,
                faulty: own.faulty,
            })
            .collect();
        let whole = sampled.iter().all(|own| own.measured == own.drawn);
        FieldResult {
            not_measured,
            not_drawn: (self.found.keys())
                .filter(|code| !drawn.contains(code.as_str()))
                .cloned()
                .collect(),
            estimate: estimate(&sampled),
            none_found: whole && sampled.iter().all(|own| own.faulty == 0),
            strata,
        }
    }
}

/// A figure where none can be judged.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotMeasurable {
    pub place: String,
    pub code: String,
    pub title: String,
}

/// Judges one row; what is short, and the error, or None inside where nothing was measured. None outside: no single figure
/// decides this row.
fn apply(
    judged: &mut Judged,
    own: &FieldMeasure,
    road_band_fail_m: f64,
) -> Option<Option<(f64, f64)>> {
    let row = &mut judged.row;
    let status_by_layers = row.row.status;
    let message_by_layers = row.message.clone();
    let mut short = None;
    if let Some(measured) = own.measured {
        let required = row.row.required?;
        let off = match sense(&row.row.rule_id, row.row.unit)? {
            Sense::AtLeast => required - measured,
            Sense::AtMost => measured - required,
        };
        let error = own.error.unwrap_or(0.0);
        let measure = Measure {
            short: off,
            rounding: ROUNDING_M,
            leeway: Leeway::Tolerance(error),
            doubt: None,
            doubt_may_save: false,
        };
        let from_memory = row.row.source_status == ReadStatus::FromMemory.key();
        let read = from_memory.then_some(ReadStatus::FromMemory);
        let (mut status, mut why) = decided(measure.verdict(read, row.row.unit), read);
        let mut off = off;
        if RuleId::RoadBand.is(&row.row.rule_id) {
            off = road_band_fail_m - measured;
            if status == Verdict::Fail && off <= error + ROUNDING_M {
                (status, why) = (
                    Verdict::Warn,
                    "between the lesser and the greater distance, or within the error".to_owned(),
                );
            }
        }
        let told = match own.error {
            Some(error) => format!("{measured} ± {error} {}", row.row.unit),
            None => format!("{measured} {}, error not told", row.row.unit),
        };
        row.row.status = status;
        row.message = format!("measured in the field: {told}");
        if !why.is_empty() {
            row.message += &format!("; {why}");
        }
        row.message += &format!("; by the layers {}", status_by_layers.key());
        if !message_by_layers.is_empty() {
            row.message += &format!(" ({message_by_layers})");
        }
        short = Some((off, error));
    }
    row.field = Some(InField {
        code: own.code.clone(),
        measured: own.measured.map(shown),
        error: own.error.map(shown),
        short: short.map(|(short, _)| shown(short)),
        on: own.on.clone(),
        by: own.by.clone(),
        photo: own.photo.clone(),
        note: own.note.clone(),
        status_by_layers,
        message_by_layers,
    });
    Some(short)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::field::draw::Sampler;
    use crate::audit::field::inference::Risk;
    use crate::audit::row::{Named, measured};
    use crate::model::GroundFrame;
    use geo::Coord;

    /// A row as the layers judge it, with a tolerance of 2 m.
    fn row(id: &str, unit: &'static str, required: f64, by_layers: f64, short: f64) -> Judged {
        let measure = Measure {
            short,
            rounding: ROUNDING_M,
            leeway: Leeway::Tolerance(2.0),
            doubt: None,
            doubt_may_save: false,
        };
        let named = Named {
            id: id.to_owned(),
            title: id.to_owned(),
            unit,
        };
        let judged = measured(named, (required, by_layers), measure, "a rule".into());
        judged.at(Some(Coord { x: 1.0, y: 2.0 }))
    }

    fn filled(block: &str, rule: &str, figure: Option<f64>, error: Option<f64>) -> FieldMeasure {
        FieldMeasure {
            code: code(3, block, rule, 0),
            measured: figure,
            error,
            on: "2031-07-03".to_owned(),
            by: "A".to_owned(),
            photo: "31".to_owned(),
            note: String::new(),
            place: "line 2".to_owned(),
            taken_at: None,
        }
    }

    fn judge(mut judged: Judged, figure: Option<f64>, error: Option<f64>) -> Judged {
        let rule = judged.row.row.rule_id.clone();
        let mut results = FieldResults::new(vec![filled("B", &rule, figure, error)], 3, 30.0);
        let rows = std::slice::from_mut(&mut judged);
        results.judge("B", rows).expect("a figure decides");
        assert_eq!(results.unknown().count(), 0);
        judged
    }

    #[test]
    fn what_was_measured_decides_and_what_the_layers_say_is_kept() {
        let reserve = |by_layers: f64| row("reserve:x", "m", 20.0, by_layers, 20.0 - by_layers);
        for (by_layers, figure, error, verdict) in [
            (15.0, 21.0, Some(0.3), Verdict::Pass),
            (25.0, 19.8, Some(0.3), Verdict::Warn),
            (25.0, 19.8, None, Verdict::Fail),
            (25.0, 15.0, Some(0.5), Verdict::Fail),
        ] {
            let before = reserve(by_layers);
            let after = judge(before.clone(), Some(figure), error);
            assert_eq!(after.status(), verdict, "{figure}");
            assert_eq!(after.row.row.measured, Some(by_layers));
            assert_eq!(after.row.short, before.row.short);
            let field = after.row.field.expect("it was measured");
            assert_eq!(field.status_by_layers, before.status());
            assert_eq!((field.measured, field.photo.as_str()), (Some(figure), "31"));
            assert!(after.row.message.contains("measured in the field"));
        }
        // Asked for at most.
        let strip = || row("strip-width", "m", 14.0, 13.0, -1.0);
        assert_eq!(
            judge(strip(), Some(15.0), Some(0.2)).status(),
            Verdict::Fail
        );
        assert_eq!(
            judge(strip(), Some(13.9), Some(0.2)).status(),
            Verdict::Pass
        );
        let line = || row("inside-block", "m", 0.0, 0.0, 0.0);
        assert_eq!(judge(line(), Some(1.5), Some(0.2)).status(), Verdict::Fail);
        assert_eq!(judge(line(), Some(0.0), Some(0.2)).status(), Verdict::Pass);
        // The lesser distance of a road band is 30 m here.
        let band = || row("road-band", "m", 45.0, 50.0, -5.0);
        assert_eq!(judge(band(), Some(40.0), Some(0.2)).status(), Verdict::Warn);
        assert_eq!(judge(band(), Some(29.0), Some(0.2)).status(), Verdict::Fail);
        // Nobody could measure: the verdict stays.
        let after = judge(reserve(15.0), None, None);
        assert_eq!(after.status(), Verdict::Fail);
        assert!(after.row.field.is_some());
    }

    #[test]
    fn rules_known_from_memory_decide_nothing_alone() {
        let mut judged = row("reserve:x", "m", 20.0, 25.0, -5.0);
        judged.row.row.source_status = ReadStatus::FromMemory.key();
        for measured in [25.0, 12.0] {
            let after = judge(judged.clone(), Some(measured), Some(0.1));
            assert_eq!(after.status(), Verdict::Warn, "{measured} m");
        }
    }

    #[test]
    fn a_figure_where_none_decides_is_refused_and_a_note_is_kept() {
        let share = || row("retention-share", "share", 0.2, 0.1, 5.0);
        let judge = |figure| {
            let mut rows = [share()];
            let given = vec![filled("B", "retention-share", figure, None)];
            let judged = FieldResults::new(given, 3, 30.0).judge("B", &mut rows);
            judged.map(|()| rows)
        };
        assert_eq!(judge(Some(0.2)).unwrap_err().place, "line 2");
        let [kept] = judge(None).unwrap();
        assert_eq!(kept.status(), Verdict::Fail);
        assert_eq!(kept.row.field.unwrap().photo, "31");
    }

    /// 40 blocks hold with 10 m to spare by the layers, two fail. Few are enough to measure all.
    #[test]
    fn what_comes_back_is_held_against_what_was_drawn() {
        let risk = Risk {
            faulty_share: 0.05,
            miss_risk: 0.05,
        };
        let mut sampler = Sampler::new(Some((risk, 3)));
        let season: Vec<(String, Judged)> = (0..42)
            .map(|id| {
                let by_layers = if id < 2 { 10.0 } else { 30.0 };
                let judged = row("reserve:x", "m", 20.0, by_layers, 20.0 - by_layers);
                (format!("B-{id}"), judged)
            })
            .collect();
        for (id, judged) in &season {
            sampler.add(id, std::slice::from_ref(judged), &GroundFrame::SAME, None);
        }
        let check = sampler.finish().unwrap();
        // Two faulty of 40: C(38, n) / C(40, n) = (40 - n)(39 - n) / (40 x 39) is at most 5 % from n = 31 on.
        assert_eq!((check.faulty_places, check.places.len()), (2, 31 + 2));
        let conclude = |figures: &dyn Fn(usize, &str) -> Option<f64>| {
            let places = check.places.iter().enumerate();
            let given = places.map(|(at, place)| {
                filled(
                    &place.block_id,
                    "reserve:x",
                    figures(at, &place.block_id),
                    Some(0.1),
                )
            });
            let mut results = FieldResults::new(given.collect(), 3, 30.0);
            for (id, judged) in &season {
                results.judge(id, &mut [judged.clone()]).unwrap();
            }
            results.conclude(&check)
        };
        let sound = conclude(&|_, _| Some(25.0));
        assert!(sound.none_found && sound.not_measured.is_empty());
        assert_eq!((sound.strata[0].measured, sound.strata[0].faulty), (2, 0));
        // One short by less than the error, one by more: 40 x 2 / 31.
        let short = conclude(&|at, _| match at {
            5 => Some(19.95),
            9 => Some(15.0),
            _ => Some(25.0),
        });
        let faulty: u64 = short.strata.iter().skip(1).map(|own| own.faulty).sum();
        let within: u64 = short.strata.iter().map(|own| own.within_error).sum();
        assert!(!short.none_found);
        assert_eq!((faulty, within), (2, 1));
        assert!((short.estimate.faulty.unwrap() - 80.0 / 31.0).abs() < 1e-12);
        assert!(short.estimate.from >= 2.0 && short.estimate.to <= 11.0);
        // A place that nobody reached is no place that holds.
        let missing = conclude(&|at, _| (at != 5).then_some(25.0));
        assert!(!missing.none_found);
        assert_eq!(missing.not_measured, [6]);
        assert!(missing.estimate.to > sound.estimate.to);
    }
}
