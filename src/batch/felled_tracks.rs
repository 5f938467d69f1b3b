//! Ground that tracks of the felling machine have cut before a plan, read and swept as an audit does.

use chrono::{DateTime, Utc};
use geo::MultiPolygon;

use super::{BatchError, audit_tracks};
use crate::audit::Neighbours;
use crate::audit::tracks::{Sweep, follow_by};
use crate::model::{Fact, Facts, Feature, LayerKind, Shape};
use crate::project::Project;
use crate::sources::{self, Batch, CutFile, CutLayers, TrackNames};

/// Adds what the tracks have cut to the features of a batch, and their files to its inputs. The machine cuts a strip's width
/// along its track, from the first fix to the last.
///
/// # Errors
/// A file that cannot be read, holds no tracks, or takes too much to sweep.
pub fn add(project: &Project, batch: &mut Batch) -> Result<(), BatchError> {
    if project.felled_tracks.is_empty() {
        return Ok(());
    }
    let neighbours = Neighbours::new(&batch.blocks);
    let how = Sweep::of_width(project.settings.machine.strip_width_m());
    let on_ground = |from, to| neighbours.metres(from, to);
    for path in &project.felled_tracks {
        let file = CutFile {
            path: path.clone(),
            layer: None,
            id: None,
            ids: vec![],
            tracks: Some(TrackNames::default()),
        };
        let read = sources::read_cut(&file, &batch.crs, false)?;
        let CutLayers::Tracks(tracks) = read.layers else {
            return Err(BatchError::NotTracks {
                path: path.clone(),
                option: "--cut",
            });
        };
        batch.inputs.extend(read.inputs);
        batch.problems.extend(read.problems);
        let way = follow_by(&tracks.tracks, &how, &on_ground)?;
        let blocks = batch.blocks.len();
        let assigned = audit_tracks::assign(&way, &how, None, blocks, &neighbours);
        let times = tracks.tracks.iter().flat_map(|track| &track.fixes);
        let when = recorded(times.filter_map(|fix| fix.time));
        let layer = path.file_name().map(|name| name.to_string_lossy());
        let layer = layer.map_or_else(String::new, |name| name.into_owned());
        for (cut, block) in assigned.cuts.into_iter().zip(&batch.blocks) {
            let shapes: Vec<_> = cut.pieces.into_iter().map(|piece| piece.shape).collect();
            if shapes.is_empty() {
                continue;
            }
            batch.features.push(Feature {
                kind: LayerKind::Felled,
                source_layer: layer.clone(),
                id: format!("tracks in {}", block.id),
                class: None,
                width_m: None,
                stems_per_ha: None,
                tree_m3: None,
                trees: None,
                slope: None,
                fringe_m: None,
                facts: when.clone(),
                shape: Shape::Polygons(MultiPolygon(shapes)),
            });
        }
    }
    Ok(())
}

/// From when to when tracks were recorded, for those who read the plan.
fn recorded(times: impl Iterator<Item = DateTime<Utc>>) -> Facts {
    let mut facts = Facts::default();
    let span = times.fold(None, |span: Option<[DateTime<Utc>; 2]>, time| {
        let [first, last] = span.unwrap_or([time, time]);
        Some([first.min(time), last.max(time)])
    });
    if let Some(span) = span {
        let [first, last] = span.map(|time| time.format("%Y-%m-%d %H:%M UTC").to_string());
        facts.offer(Facts::RECORDED, Fact::Text(format!("{first} to {last}")));
    }
    facts
}
