//! Whether looks that touch can be told apart: in colour, by eyes that lack one kind of cones, and on a copier.
//!
//! The difference of two colours is CIEDE2000 as written by G. Sharma, W. Wu and E. N. Dalal, "The CIEDE2000
//! color-difference formula: implementation notes, supplementary test data, and mathematical observations", Color Research
//! and Application 30 (2005) 21-30, and checked with pairs of its table 1. sRGB to XYZ: IEC 61966-2-1. Sight without red or
//! green cones: G. M. Machado, M. M. Oliveira and L. A. F. Fernandes, "A physiologically-based model for simulation of color
//! vision deficiency", IEEE Transactions on Visualization and Computer Graphics 15 (2009) 1291-1298, severity 1.0, applied to
//! linear light. Neither paper was read: pairs and matrices are as others quote them (secondary), who agree.

use super::{Ink, Kind, Rgb, Theme};

type Triple = [f64; 3];

#[derive(Clone, Copy, Debug)]
enum Sight {
    Normal,
    /// Without red cones.
    Protanope,
    /// Without green cones.
    Deuteranope,
}

const SIGHTS: [Sight; 3] = [Sight::Normal, Sight::Protanope, Sight::Deuteranope];

fn times(matrix: [Triple; 3], of: Triple) -> Triple {
    matrix.map(|row| row.iter().zip(of).map(|(a, b)| a * b).sum())
}

fn linear(channel: f64) -> f64 {
    if channel <= 0.040_45 {
        channel / 12.92
    } else {
        ((channel + 0.055) / 1.055).powf(2.4)
    }
}

/// CIELAB of a colour of sRGB as it is seen, white as D65.
fn lab(colour: Triple, sight: Sight) -> Triple {
    let seen = match sight {
        Sight::Normal => [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        Sight::Protanope => [
            [0.152_286, 1.052_583, -0.204_868],
            [0.114_503, 0.786_281, 0.099_216],
            [-0.003_882, -0.048_116, 1.051_998],
        ],
        Sight::Deuteranope => [
            [0.367_322, 0.860_646, -0.227_968],
            [0.280_085, 0.672_501, 0.047_413],
            [-0.011_820, 0.042_940, 0.968_881],
        ],
    };
    let light = times(seen, colour.map(linear)).map(|channel| channel.clamp(0.0, 1.0));
    let xyz = times(
        [
            [0.412_456_4, 0.357_576_1, 0.180_437_5],
            [0.212_672_9, 0.715_152_2, 0.072_175_0],
            [0.019_333_9, 0.119_192_0, 0.950_304_1],
        ],
        light,
    );
    let white = [0.950_47, 1.0, 1.088_83];
    let [x, y, z] = [0, 1, 2].map(|at| {
        let share: f64 = xyz[at] / white[at];
        if share > 216.0 / 24_389.0 {
            share.cbrt()
        } else {
            (24_389.0 / 27.0 * share + 16.0) / 116.0
        }
    });
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

/// CIEDE2000 with all weights 1.
fn difference([l1, a1, b1]: Triple, [l2, a2, b2]: Triple) -> f64 {
    let seventh = |chroma: f64| (chroma.powi(7) / (chroma.powi(7) + 25_f64.powi(7))).sqrt();
    let g = 0.5 * (1.0 - seventh((a1.hypot(b1) + a2.hypot(b2)) / 2.0));
    let (a1, a2) = ((1.0 + g) * a1, (1.0 + g) * a2);
    let (c1, c2) = (a1.hypot(b1), a2.hypot(b2));
    let hue = |a: f64, b: f64| b.atan2(a).to_degrees().rem_euclid(360.0);
    let (h1, h2) = (hue(a1, b1), hue(a2, b2));
    let grey = c1 * c2 == 0.0;
    let turn = match h2 - h1 {
        _ if grey => 0.0,
        turn if turn > 180.0 => turn - 360.0,
        turn if turn < -180.0 => turn + 360.0,
        turn => turn,
    };
    let dh = 2.0 * (c1 * c2).sqrt() * (turn / 2.0).to_radians().sin();
    let (dl, dc) = (l2 - l1, c2 - c1);
    let (l, c) = ((l1 + l2) / 2.0, (c1 + c2) / 2.0);
    let h = match h1 + h2 {
        sum if grey => sum,
        sum if (h1 - h2).abs() <= 180.0 => sum / 2.0,
        sum if sum < 360.0 => (sum + 360.0) / 2.0,
        sum => (sum - 360.0) / 2.0,
    };
    let cos = |degrees: f64| degrees.to_radians().cos();
    let t = 1.0 - 0.17 * cos(h - 30.0) + 0.24 * cos(2.0 * h) + 0.32 * cos(3.0 * h + 6.0)
        - 0.20 * cos(4.0 * h - 63.0);
    let turned = 30.0 * (-((h - 275.0) / 25.0).powi(2)).exp();
    let sl = 1.0 + 0.015 * (l - 50.0).powi(2) / (20.0 + (l - 50.0).powi(2)).sqrt();
    let (sc, sh) = (1.0 + 0.045 * c, 1.0 + 0.015 * c * t);
    let rt = -(2.0 * turned).to_radians().sin() * 2.0 * seventh(c);
    let (l, c, h) = (dl / sl, dc / sc, dh / sh);
    (l * l + c * c + h * h + rt * c * h).sqrt()
}

fn over(below: Triple, ink: Ink, theme: Theme, cover: f64) -> Triple {
    let Rgb(above) = ink.rgb(theme);
    let mixed = below.iter().zip(above);
    let mut out = [0.0; 3];
    for (at, (below, above)) in mixed.enumerate() {
        out[at] = below * (1.0 - cover) + f64::from(above) / 255.0 * cover;
    }
    out
}

/// What ground looks like from as far away as one sees no hatch: its colours by their shares.
fn from_afar(kind: Kind, theme: Theme) -> Triple {
    let Rgb(paper) = Ink::Paper.rgb(theme);
    let mut colour = paper.map(|channel| f64::from(channel) / 255.0);
    let look = kind.look();
    if let Some((ink, cover)) = look.fill {
        colour = over(colour, ink, theme, theme.cover(ink, cover));
    }
    if let Some(hatch) = look.hatch {
        colour = over(colour, hatch.ink(), theme, hatch.cover());
    }
    colour
}

/// Kinds that divide a block among them, so that any two may touch. Bare net area shows nowhere but in slivers, and bands and
/// corridors are one meaning in one colour.
const GROUND: [Kind; 8] = [
    Kind::Reserve,
    Kind::RoadClearing,
    Kind::NightSafe,
    Kind::DayOnly,
    Kind::BoundaryPass,
    Kind::Corridor,
    Kind::Unworked,
    Kind::CutBefore,
];

/// Lines and hatches that lie on any ground.
const ABOVE: [Ink; 3] = [Ink::Words, Ink::Stop, Ink::Hazard];

#[test]
fn the_formula_gives_the_published_differences() {
    // Sharma, Wu & Dalal (2005), table 1, pairs 1, 2, 4, 7, 9, 10, 13, 17, 19, 20, 25, 28, 31, 34.
    for (a, b, published) in [
        ([50.0, 2.6772, -79.7751], [50.0, 0.0, -82.7485], 2.0425),
        ([50.0, 3.1571, -77.2803], [50.0, 0.0, -82.7485], 2.8615),
        ([50.0, -1.3802, -84.2814], [50.0, 0.0, -82.7485], 1.0000),
        ([50.0, 0.0, 0.0], [50.0, -1.0, 2.0], 2.3669),
        ([50.0, 2.49, -0.001], [50.0, -2.49, 0.0009], 7.1792),
        ([50.0, 2.49, -0.001], [50.0, -2.49, 0.001], 7.1792),
        ([50.0, -0.001, 2.49], [50.0, 0.0009, -2.49], 4.8045),
        ([50.0, 2.5, 0.0], [73.0, 25.0, -18.0], 27.1492),
        ([50.0, 2.5, 0.0], [56.0, -27.0, -3.0], 31.9030),
        ([50.0, 2.5, 0.0], [58.0, 24.0, 15.0], 19.4535),
        (
            [60.2574, -34.0099, 36.2677],
            [60.4626, -34.1751, 39.4387],
            1.2644,
        ),
        (
            [22.7233, 20.0904, -46.6940],
            [23.0331, 14.9730, -42.5619],
            2.0373,
        ),
        (
            [90.9257, -0.5406, -0.9208],
            [88.6381, -0.8985, -0.7239],
            1.5381,
        ),
        (
            [2.0776, 0.0795, -1.1350],
            [0.9033, -0.0636, -0.5514],
            0.9082,
        ),
    ] {
        let found = difference(a, b);
        assert!((found - published).abs() < 5e-5, "{a:?} {b:?}: {found}");
        assert!((difference(b, a) - published).abs() < 5e-5);
    }
}

#[test]
fn ground_that_touches_differs_in_every_sight() {
    let mut worst = Vec::new();
    for theme in [Theme::Light, Theme::Dark] {
        // Sheets of shifts, which may be dark, show neither passes nor unworked ground.
        let shown = |kind: &Kind| {
            theme == Theme::Light || !matches!(kind, Kind::BoundaryPass | Kind::Unworked)
        };
        let ground = GROUND.into_iter().filter(shown);
        let colours = ground.map(|kind| (format!("{kind:?}"), from_afar(kind, theme)));
        let inks = ABOVE.map(|ink| {
            let Rgb(colour) = ink.rgb(theme);
            (
                format!("{ink:?}"),
                colour.map(|channel| f64::from(channel) / 255.0),
            )
        });
        let all: Vec<_> = colours.chain(inks).collect();
        for (index, (name, colour)) in all.iter().enumerate() {
            for (other, beside) in &all[index + 1..] {
                for sight in SIGHTS {
                    let found = difference(lab(*colour, sight), lab(*beside, sight));
                    if found < 15.0 {
                        worst.push(format!("{theme:?} {name} {other} {sight:?} {found:.1}"));
                    }
                }
            }
        }
    }
    assert!(worst.is_empty(), "{worst:#?}");
}

/// On a copier: by a hatch of its own, or by 10 of 100 steps of lightness.
#[test]
fn ground_that_touches_differs_without_colour() {
    for theme in Theme::ALL {
        for (index, kind) in GROUND.iter().enumerate() {
            for other in &GROUND[index + 1..] {
                let (own, its) = (kind.look().hatch, other.look().hatch);
                let lightness = |kind: Kind| lab(from_afar(kind, theme), Sight::Normal)[0];
                let apart = (lightness(*kind) - lightness(*other)).abs();
                assert!(
                    own != its || apart >= 10.0,
                    "{theme:?} {kind:?} {other:?}: {apart}"
                );
            }
        }
    }
}

/// Degrees on the circle of hues, and how much of it there is (the hexcone model, A. R. Smith 1978).
fn hue(ink: Ink, theme: Theme) -> (f64, f64) {
    let Rgb(channels) = ink.rgb(theme);
    let [r, g, b] = channels.map(|channel| f64::from(channel) / 255.0);
    let (most, least) = (r.max(g).max(b), r.min(g).min(b));
    let chroma = most - least;
    if chroma == 0.0 {
        return (0.0, 0.0);
    }
    let sixth = if most == r {
        (g - b) / chroma
    } else if most == g {
        (b - r) / chroma + 2.0
    } else {
        (r - g) / chroma + 4.0
    };
    ((sixth * 60.0).rem_euclid(360.0), chroma)
}

#[test]
fn what_is_cut_has_no_hue_of_what_is_not() {
    for theme in [Theme::Light, Theme::Dark] {
        for cut in [Ink::Day, Ink::Night, Ink::Road] {
            for kept in [Ink::Kept, Ink::Standing, Ink::Stop, Ink::Hazard] {
                let ((a, _), (b, _)) = (hue(cut, theme), hue(kept, theme));
                let apart = (a - b).abs().min(360.0 - (a - b).abs());
                // Orange and red, the nearest two, are 20 degrees apart; red is only ever a line, a hatch, or both.
                let least = if kept == Ink::Stop { 14.0 } else { 60.0 };
                assert!(apart >= least, "{theme:?} {cut:?} {kept:?}: {apart}");
            }
        }
        assert_eq!(hue(Ink::Before, theme).1, 0.0);
    }
}

/// WCAG 2.2, 1.4.3: text 4.5 to 1, and 1.4.11: what must be seen 3 to 1.
#[test]
fn words_are_legible_on_every_ground() {
    let luminance = |ink: Ink, theme: Theme| {
        let Rgb(channels) = ink.rgb(theme);
        let [r, g, b] = channels.map(|channel| linear(f64::from(channel) / 255.0));
        0.2126 * r + 0.7152 * g + 0.0722 * b
    };
    let ratio = |a: Ink, b: Ink, theme: Theme| {
        let (a, b) = (luminance(a, theme), luminance(b, theme));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    };
    for theme in Theme::ALL {
        for ground in [Ink::Paper, Ink::Beyond] {
            assert!(ratio(Ink::Words, ground, theme) >= 4.5, "{ground:?}");
        }
        assert!(ratio(Ink::Faint, Ink::Paper, theme) >= 3.0);
    }
}

/// One hatch, one meaning; kinds stand in the table where their number says, each under a key of its own.
#[test]
fn the_table_is_in_order_and_no_hatch_has_two_meanings() {
    let kinds: Vec<Kind> = Kind::all().collect();
    assert!(
        kinds
            .iter()
            .enumerate()
            .all(|(at, kind)| *kind as usize == at)
    );
    let mut keys: Vec<&str> = kinds.iter().map(|kind| kind.key()).collect();
    keys.sort_unstable();
    keys.dedup();
    assert_eq!(keys.len(), kinds.len());
    for (index, kind) in kinds.iter().enumerate() {
        for other in &kinds[index + 1..] {
            // Where nothing may enter no machine may drive either; bands and corridors both stand.
            let nested = [
                (Kind::MachineExclusion, Kind::LimitOfApproach),
                (Kind::RetainedBand, Kind::Corridor),
            ]
            .contains(&(*kind, *other));
            let (own, its) = (kind.look().hatch, other.look().hatch);
            assert!(own.is_none() || own != its || nested, "{kind:?} {other:?}");
        }
    }
}

/// Lines are told apart by their pattern wherever they have one ink.
#[test]
fn lines_of_one_ink_differ_in_width_or_dashes() {
    let lines: Vec<_> = (Kind::all().filter(|kind| *kind > Kind::Block))
        .filter_map(|kind| Some((kind, kind.look().line?)))
        .collect();
    for (index, (kind, line)) in lines.iter().enumerate() {
        for (other, beside) in &lines[index + 1..] {
            let same = line.ink == beside.ink && line.dash == beside.dash;
            assert!(
                !same || (line.width - beside.width).abs() > 0.5,
                "{kind:?} {other:?}"
            );
        }
    }
}
