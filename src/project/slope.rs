//! Slopes as slope-class layers hold them: numbers, percentages, degrees, and classes such as `25-35 %`.

/// The unit of slopes that name none.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SlopeUnit {
    /// Rise over run times a hundred.
    #[default]
    Percent,
    Degree,
    /// Rise over run.
    Fraction,
}

/// Steepest slope that is believed, rise over run (84 degrees).
const MOST_SLOPE: f64 = 10.0;

impl SlopeUnit {
    pub const NAMES: [(&'static str, SlopeUnit); 3] = [
        ("percent", SlopeUnit::Percent),
        ("degree", SlopeUnit::Degree),
        ("fraction", SlopeUnit::Fraction),
    ];

    /// Rise over run of a slope in this unit.
    fn rise_over_run(self, value: f64) -> f64 {
        match self {
            SlopeUnit::Percent => value / 100.0,
            SlopeUnit::Degree if value >= 90.0 => f64::INFINITY,
            SlopeUnit::Degree => value.to_radians().tan(),
            SlopeUnit::Fraction => value,
        }
    }

    /// The steepest slope of what is written, as rise over run: the number itself, or the upper end of a class
    /// (`25-35`, `25 to 35 %`, `< 35`). A sign in the text (`%`, `deg`, `°`) goes before the unit.
    ///
    /// # Errors
    /// In words: when it is no slope, is not believed, or is a class without an upper end (`> 50`).
    pub fn steepest(self, text: &str) -> Result<f64, String> {
        let mut rest = text.trim();
        let mut unit = self;
        for (sign, of) in [
            ("%", SlopeUnit::Percent),
            ("percent", SlopeUnit::Percent),
            ("°", SlopeUnit::Degree),
            ("degrees", SlopeUnit::Degree),
            ("deg", SlopeUnit::Degree),
        ] {
            if let Some(before) = rest.strip_suffix(sign) {
                (rest, unit) = (before.trim_end(), of);
                break;
            }
        }
        let endless = [">", "≥", "over ", "more than "];
        if endless.iter().any(|sign| rest.starts_with(sign)) || rest.ends_with('+') {
            return Err(format!(
                "`{text}` has no upper end; say in `slope_map` how steep the ground gets"
            ));
        }
        for sign in ["<=", "<", "≤", "up to ", "under "] {
            if let Some(after) = rest.strip_prefix(sign) {
                rest = after.trim_start();
                break;
            }
        }
        let not_a_slope = || {
            format!(
                "`{text}` is no slope; write for example 35, \"35 %\", \"25-35\" or \"< 35\", or give its meaning in \
                 `slope_map`"
            )
        };
        let number = |part: &str| {
            let part = part.trim().trim_end_matches(['%', '°']).trim_end();
            let value = part.parse::<f64>().ok()?;
            (value.is_finite() && value >= 0.0).then_some(value)
        };
        let value = match number(rest) {
            Some(value) => value,
            None => {
                let (low, high) = [" to ", "-", "–", "—"]
                    .iter()
                    .find_map(|sign| rest.split_once(sign))
                    .ok_or_else(not_a_slope)?;
                let low = number(low).ok_or_else(not_a_slope)?;
                let high = number(high).ok_or_else(not_a_slope)?;
                if low > high {
                    return Err(format!("`{text}` ends below where it begins"));
                }
                high
            }
        };
        let slope = unit.rise_over_run(value);
        if slope <= MOST_SLOPE {
            Ok(slope)
        } else {
            Err(format!(
                "`{text}` is a slope of more than {} %, which is not believed; is `slope_unit` right?",
                MOST_SLOPE * 100.0
            ))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_in_the_layers_unit_and_signs_go_before() {
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-12, "{a} {b}");
        near(SlopeUnit::Percent.steepest("35").unwrap(), 0.35);
        near(SlopeUnit::Percent.steepest("0.35").unwrap(), 0.0035);
        near(SlopeUnit::Fraction.steepest("0.35").unwrap(), 0.35);
        near(SlopeUnit::Fraction.steepest("35 %").unwrap(), 0.35);
        near(SlopeUnit::Degree.steepest("45").unwrap(), 1.0);
        near(SlopeUnit::Percent.steepest("45°").unwrap(), 1.0);
        near(SlopeUnit::Percent.steepest("45 deg").unwrap(), 1.0);
    }

    #[test]
    fn a_class_is_as_steep_as_its_upper_end() {
        for class in [
            "25-35",
            "25 - 35 %",
            "25 to 35",
            "25–35%",
            "25%-35%",
            "< 35",
            "<=35",
            "≤ 35 %",
            "up to 35",
        ] {
            assert_eq!(SlopeUnit::Percent.steepest(class), Ok(0.35), "{class}");
        }
    }

    #[test]
    fn what_has_no_upper_end_or_is_no_slope_is_refused() {
        for class in ["> 50", ">=50 %", "50+", "over 50", "≥ 50"] {
            let told = SlopeUnit::Percent.steepest(class).unwrap_err();
            assert!(
                told.contains("no upper end") && told.contains("slope_map"),
                "{told}"
            );
        }
        for bad in [
            "", "steep", "-5", "nan", "inf", "35-25", "25-", "25-35-45", "2000", "1e400",
        ] {
            assert!(SlopeUnit::Percent.steepest(bad).is_err(), "{bad}");
        }
        assert!(SlopeUnit::Degree.steepest("90").is_err());
        assert!(SlopeUnit::Degree.steepest("135").is_err());
    }

    proptest::proptest! {
        #[test]
        fn any_text_is_answered(text in "[-0-9.<>=%°+ a-z]{0,12}") {
            for (_, unit) in SlopeUnit::NAMES {
                if let Ok(slope) = unit.steepest(&text) {
                    proptest::prop_assert!((0.0..=MOST_SLOPE).contains(&slope));
                }
            }
        }
    }
}
