//! Text in the two standard fonts of every PDF reader: Windows Latin 1 bytes, widths, fitting and wrapping.
//!
//! Letters that Windows Latin 1 lacks are written with those it has; the true name stands in the document's title and
//! bookmarks, which hold any letter.

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weight {
    Plain,
    Bold,
}

/// Text as bytes of Windows Latin 1. Control signs and marks that turn the reading direction become `?`.
pub fn encode(text: &str) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '\t' | '\n' | '\r' => bytes.push(b' '),
            ' '..='~' => bytes.push(letter as u8),
            '\u{a0}'..='\u{ff}' => bytes.push(letter as u32 as u8),
            _ if letter.is_control() => bytes.push(b'?'),
            _ => match upper_half(letter) {
                Some(byte) => bytes.push(byte),
                None => {
                    let plain = deunicode::deunicode_char(letter).unwrap_or("?");
                    let plain = if plain.is_empty() { "?" } else { plain };
                    bytes.extend(plain.bytes().filter(|byte| (b' '..=b'~').contains(byte)));
                }
            },
        }
    }
    bytes
}

fn upper_half(letter: char) -> Option<u8> {
    Some(match letter {
        '€' => 0x80,
        '‚' => 0x82,
        'ƒ' => 0x83,
        '„' => 0x84,
        '…' => 0x85,
        '†' => 0x86,
        '‡' => 0x87,
        'ˆ' => 0x88,
        '‰' => 0x89,
        'Š' => 0x8a,
        '‹' => 0x8b,
        'Œ' => 0x8c,
        'Ž' => 0x8e,
        '‘' => 0x91,
        '’' => 0x92,
        '“' => 0x93,
        '”' => 0x94,
        '•' => 0x95,
        '–' => 0x96,
        '—' => 0x97,
        '˜' => 0x98,
        '™' => 0x99,
        'š' => 0x9a,
        '›' => 0x9b,
        'œ' => 0x9c,
        'ž' => 0x9e,
        'Ÿ' => 0x9f,
        _ => return None,
    })
}

/// Widths of the printable letters of ASCII in thousandths of the size.
const PLAIN: [u16; 95] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556,
    556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667,
    611, 778, 722, 278, 500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667,
    667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500,
    222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
];
const BOLD: [u16; 95] = [
    278, 333, 474, 556, 556, 889, 722, 238, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556,
    556, 556, 556, 556, 556, 556, 556, 333, 333, 584, 584, 584, 611, 975, 722, 722, 722, 722, 667,
    611, 778, 722, 278, 556, 722, 611, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667,
    667, 611, 333, 278, 333, 584, 556, 333, 556, 611, 556, 611, 556, 333, 611, 611, 278, 278, 556,
    278, 889, 611, 611, 611, 611, 389, 556, 333, 611, 556, 778, 556, 556, 500, 389, 280, 389, 584,
];

fn advance(byte: u8, weight: Weight) -> u16 {
    let widths = match weight {
        Weight::Plain => &PLAIN,
        Weight::Bold => &BOLD,
    };
    let ascii = |byte: u8| widths[usize::from(byte.clamp(b' ', b'~') - b' ')];
    match byte {
        b' '..=b'~' => ascii(byte),
        0x85 | 0x89 | 0x8c | 0x97 | 0x99 | 0xc6 => 1000,
        0x9c | 0xe6 => 944,
        0xb0 => 400,
        0xb7 => 278,
        0x80 | 0x83 | 0x96 => 556,
        0xc0..=0xff => {
            // An accent does not widen a letter.
            let base = deunicode::deunicode_char(char::from(byte)).and_then(|s| s.bytes().next());
            base.map_or(611, ascii)
        }
        _ => 611,
    }
}

/// Width of encoded text in points.
pub fn width(bytes: &[u8], weight: Weight, size: f64) -> f64 {
    let units: u32 = bytes
        .iter()
        .map(|byte| u32::from(advance(*byte, weight)))
        .sum();
    f64::from(units) / 1000.0 * size
}

const ELLIPSIS: u8 = 0x85;

/// Encoded text of at most `most` points, the last letter an ellipsis when something is missing.
pub fn fit(text: &str, weight: Weight, size: f64, most: f64) -> Vec<u8> {
    fit_bytes(encode(text), weight, size, most)
}

fn fit_bytes(mut bytes: Vec<u8>, weight: Weight, size: f64, most: f64) -> Vec<u8> {
    if width(&bytes, weight, size) <= most {
        return bytes;
    }
    let room = most - width(&[ELLIPSIS], weight, size);
    while width(&bytes, weight, size) > room && !bytes.is_empty() {
        bytes.pop();
    }
    while bytes.last() == Some(&b' ') {
        bytes.pop();
    }
    bytes.push(ELLIPSIS);
    bytes
}

/// Encoded lines of at most `most` points, and at most `lines` of them; what does not fit ends in an ellipsis.
pub fn wrap(text: &str, weight: Weight, size: f64, most: f64, lines: usize) -> Vec<Vec<u8>> {
    let mut out: Vec<Vec<u8>> = Vec::new();
    for word in text.split_whitespace() {
        let word = encode(word);
        let fits = |line: &[u8]| {
            let together = width(line, weight, size) + width(b" ", weight, size);
            together + width(&word, weight, size) <= most
        };
        let full = out.len() == lines;
        match out.last_mut() {
            Some(line) if fits(line) => {
                line.push(b' ');
                line.extend(&word);
            }
            Some(line) if full => {
                line.push(b' ');
                line.extend(&word);
                break;
            }
            _ => out.push(word),
        }
    }
    out.into_iter()
        .map(|line| fit_bytes(line, weight, size, most))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_letter_has_a_byte() {
        assert_eq!(encode("Forêt – 5 °"), b"For\xeat \x96 5 \xb0");
        assert_eq!(encode("Łąka"), b"Laka");
        assert_eq!(encode("a\u{202e}\0b"), b"a??b");
        assert!(encode("森").iter().all(u8::is_ascii));
    }

    #[test]
    fn text_fits_and_wraps() {
        assert_eq!(width(b"AB", Weight::Plain, 10.0), 13.34);
        let cut = fit("a long name of a block", Weight::Plain, 10.0, 50.0);
        assert_eq!(cut.last(), Some(&ELLIPSIS));
        assert!(width(&cut, Weight::Plain, 10.0) <= 50.0);
        let lines = wrap("one two three four", Weight::Plain, 10.0, 45.0, 2);
        assert_eq!(lines.len(), 2);
        assert!(
            lines
                .iter()
                .all(|line| width(line, Weight::Plain, 10.0) <= 45.0)
        );
    }
}
