//! Single values of the crew file: names, choices, dates, times of day, stretches of time.

use chrono::{NaiveDate, NaiveDateTime, NaiveTime};
use chrono_tz::Tz;

use super::crew::{MOST_SECONDS, Reader};
use super::{ProjectError, Reason};
use crate::rulebook::spanned::Spanned;
use crate::schedule::Second;
use crate::schedule::calendar::second_of;

/// Twenty times slower or faster is a slip of the pen.
const FACTORS: (f64, f64) = (0.05, 20.0);
/// More wood than a season fells.
const MOST_M3: f64 = 1e6;

impl Reader<'_> {
    /// Not empty, and none twice.
    pub fn names<'n>(
        &self,
        key: &str,
        names: impl Iterator<Item = &'n Spanned<String>>,
    ) -> Result<(), ProjectError> {
        let mut seen: Vec<&str> = Vec::new();
        for name in names {
            self.0.not_empty(key, name)?;
            if seen.contains(&name.get_ref().as_str()) {
                let reason = Reason::Contradiction {
                    message: format!("there is a `{}` already", name.get_ref()),
                    remedy: format!("give each a `{key}` of its own"),
                };
                return Err(self.0.error(name.span(), reason));
            }
            seen.push(name.get_ref());
        }
        Ok(())
    }

    pub fn choice<S: AsRef<str>>(
        &self,
        key: &str,
        written: &Spanned<String>,
        valid: &[S],
    ) -> Result<usize, ProjectError> {
        let found = valid
            .iter()
            .position(|name| name.as_ref() == written.get_ref());
        found.ok_or_else(|| {
            let reason = Reason::UnknownChoice {
                key: key.to_owned(),
                value: written.get_ref().clone(),
                valid: valid.iter().map(|name| name.as_ref().to_owned()).collect(),
            };
            self.0.error(written.span(), reason)
        })
    }

    pub fn factor(&self, written: &Option<Spanned<f64>>) -> Result<f64, ProjectError> {
        let Some(written) = written else {
            return Ok(1.0);
        };
        let value = *written.get_ref();
        if (FACTORS.0..=FACTORS.1).contains(&value) {
            return Ok(value);
        }
        let reason = Reason::OutOfRange {
            key: "time_factor".to_owned(),
            value: value.to_string(),
            lowest: FACTORS.0.to_string(),
            highest: FACTORS.1.to_string(),
        };
        Err(self.0.error(written.span(), reason))
    }

    pub fn not_a(
        &self,
        key: &str,
        written: &Spanned<String>,
        wanted: &'static str,
    ) -> ProjectError {
        let reason = Reason::NotA {
            key: key.to_owned(),
            value: written.get_ref().clone(),
            wanted,
        };
        self.0.error(written.span(), reason)
    }

    pub fn out_of_range(
        &self,
        key: &str,
        written: &Spanned<String>,
        lowest: &str,
        highest: &str,
    ) -> ProjectError {
        let reason = Reason::OutOfRange {
            key: key.to_owned(),
            value: written.get_ref().clone(),
            lowest: lowest.to_owned(),
            highest: highest.to_owned(),
        };
        self.0.error(written.span(), reason)
    }

    pub fn date(&self, key: &str, written: &Spanned<String>) -> Result<NaiveDate, ProjectError> {
        let date = NaiveDate::parse_from_str(written.get_ref(), "%Y-%m-%d");
        date.map_err(|_| self.not_a(key, written, "a date such as \"2026-12-01\""))
    }

    /// `"2026-12-03 10:00"` by the clock of a zone; a date is its first second, or that of the next day where it ends something.
    pub fn moment(
        &self,
        key: &str,
        written: &Spanned<String>,
        zone: Tz,
        ends: bool,
    ) -> Result<Second, ProjectError> {
        let text = written.get_ref().trim();
        if let Ok(at) = NaiveDateTime::parse_from_str(text, "%Y-%m-%d %H:%M") {
            return Ok(second_of(zone, at.date(), at.time()));
        }
        let wanted = "a time such as \"2026-12-03 10:00\", or a date such as \"2026-12-03\"";
        let date = NaiveDate::parse_from_str(text, "%Y-%m-%d").ok();
        let date = match ends {
            true => date.and_then(|date| date.succ_opt()),
            false => date,
        };
        let date = date.ok_or_else(|| self.not_a(key, written, wanted))?;
        Ok(second_of(zone, date, NaiveTime::MIN))
    }

    pub fn clock(&self, key: &str, written: &Spanned<String>) -> Result<NaiveTime, ProjectError> {
        let time = NaiveTime::parse_from_str(written.get_ref(), "%H:%M");
        time.map_err(|_| self.not_a(key, written, "a time of day such as \"06:00\""))
    }

    /// `"800 m3"` or `"800 m³"`, more than nothing.
    pub fn cubic_metres(&self, key: &str, written: &Spanned<String>) -> Result<f64, ProjectError> {
        let text = written.get_ref().trim();
        let number = ["m3", "m³"].iter().find_map(|unit| text.strip_suffix(unit));
        let value = number.and_then(|number| number.trim().parse::<f64>().ok());
        let value = value.filter(|value| value.is_finite());
        let value = value.ok_or_else(|| self.not_a(key, written, "a volume such as \"800 m3\""))?;
        match value > 0.0 && value <= MOST_M3 {
            true => Ok(value),
            false => Err(self.out_of_range(key, written, "more than 0 m3", "1000000 m3")),
        }
    }

    /// `"30 min"`, `"2 h"`, `"3 d"` in seconds.
    pub fn seconds(&self, key: &str, written: &Spanned<String>) -> Result<i64, ProjectError> {
        let wrong = || {
            self.not_a(
                key,
                written,
                "a time such as \"30 min\", \"2 h\" or \"3 d\"",
            )
        };
        let text = written.get_ref().trim();
        let split = text
            .find(|c: char| !(c.is_ascii_digit() || c == '.'))
            .ok_or_else(wrong)?;
        let value: f64 = text[..split].parse().map_err(|_| wrong())?;
        let unit = match text[split..].trim() {
            "min" => 60.0,
            "h" => 3600.0,
            "d" => 86_400.0,
            _ => return Err(wrong()),
        };
        let seconds = value * unit;
        if seconds > MOST_SECONDS as f64 {
            return Err(self.out_of_range(key, written, "0 min", "366 d"));
        }
        Ok(seconds.round() as i64)
    }
}
