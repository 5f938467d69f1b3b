//! How well things are mapped: ground along the block's own edge that is kept for it, and what sheets say of surveys.

use std::collections::HashSet;

use geo::{MultiLineString, MultiPolygon};

use super::zones::Zones;
use super::{Context, LayoutError};
use crate::geometry::buffer::{Source, certified};
use crate::geometry::overlay::{boundary, clip_lines, intersection, joined, oriented};
use crate::landbase::NearFeature;
use crate::model::*;

/// Rule id of ground that is kept along the block's own edge.
pub const EDGE_RULE: &str = RuleId::BlockEdge.key();

impl Zones<'_> {
    /// Keeps ground along the block's edge, but in front of roads, as wide as the edge may be off; nothing where the project does not
    /// ask for it or nobody says how far that is.
    ///
    /// # Errors
    /// When the zone could not be certified.
    pub(super) fn keep_edge(
        &mut self,
        context: Context<'_>,
        block: &SourceBlock,
        shape: &MultiPolygon,
    ) -> Result<(), LayoutError> {
        let off_m = block.accuracy.off_m.filter(|off_m| *off_m > 0.0);
        let Some(off_m) = off_m.filter(|_| context.settings.layout.keep_for_accuracy) else {
            return Ok(());
        };
        let rim = clip_lines(&boundary(shape), &self.frontage, false);
        let rim = MultiLineString(joined(rim));
        if rim.0.is_empty() {
            return Ok(());
        }
        let kept = certified(context.engines, &Source::Lines(rim), off_m).map_err(|reason| {
            LayoutError::Uncertified {
                layer: block.source_layer.clone(),
                feature_id: block.id.clone(),
                reason,
            }
        })?;
        let kept = oriented(intersection(shape, &oriented(kept.shape).0));
        self.edge.extend(kept.0.iter().cloned());
        self.not_counted.extend(kept.0.iter().cloned());
        self.list.push(Zone {
            kind: ZoneKind::Reserve,
            source_layer: block.source_layer.clone(),
            source_id: block.id.clone(),
            class: "block_edge".to_owned(),
            rule_id: EDGE_RULE.to_owned(),
            width_m: off_m,
            kept: None,
            shape: kept,
        });
        Ok(())
    }
}

/// How the block's edge and all that distances are kept to were surveyed, those of one layer that are alike together; in the order of
/// roles.
pub fn surveys(block: &SourceBlock, near: &[NearFeature], zones: &[Zone]) -> Vec<SurveyNote> {
    let mut found = vec![SurveyNote {
        role: LayerKind::Blocks.key().to_owned(),
        layer: block.source_layer.clone(),
        features: 1,
        accuracy: block.accuracy.clone(),
    }];
    let with_zone: HashSet<(&str, &str)> = (zones.iter())
        .map(|zone| (zone.source_layer.as_str(), zone.source_id.as_str()))
        .collect();
    let counts = |near: &&NearFeature| {
        let feature = near.feature;
        let key = (feature.source_layer.as_str(), feature.id.as_str());
        feature.kind.takes_accuracy() && with_zone.contains(&key)
    };
    for near in near.iter().filter(counts) {
        let accuracy = Accuracy::of(&near.feature.facts);
        let (role, layer) = (near.feature.kind.key(), &near.feature.source_layer);
        let alike = found
            .iter_mut()
            .find(|own| own.role == role && own.layer == *layer && own.accuracy == accuracy);
        match alike {
            Some(own) => own.features += 1,
            None => found.push(SurveyNote {
                role: role.to_owned(),
                layer: layer.clone(),
                features: 1,
                accuracy,
            }),
        }
    }
    let place = |role: &str| LayerKind::ALL.iter().position(|kind| kind.key() == role);
    found.sort_by(|a, b| {
        let off = |own: &SurveyNote| own.accuracy.off_m.unwrap_or(f64::INFINITY);
        (place(&a.role).cmp(&place(&b.role)))
            .then_with(|| a.layer.cmp(&b.layer))
            .then_with(|| off(a).total_cmp(&off(b)))
    });
    found
}
