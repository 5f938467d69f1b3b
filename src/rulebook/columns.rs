//! Tables of wrapped text for a page of fixed columns.

/// One row; a cell may hold several lines.
pub struct Row<const N: usize>(pub [String; N]);

/// Blanks between columns.
const GAP: usize = 2;

/// Heading, rule, and the rows with every cell wrapped to its column's width.
pub fn push_table<const N: usize>(
    out: &mut String,
    headings: [&str; N],
    widths: [usize; N],
    rows: &[Row<N>],
) {
    push_cells(
        out,
        &headings.map(|heading| vec![heading.to_owned()]),
        widths,
    );
    push_cells(out, &widths.map(|width| vec!["-".repeat(width)]), widths);
    for row in rows {
        let cells: [Vec<String>; N] = std::array::from_fn(|at| wrap(&row.0[at], widths[at]));
        push_cells(out, &cells, widths);
    }
}

fn push_cells<const N: usize>(out: &mut String, cells: &[Vec<String>; N], widths: [usize; N]) {
    let height = cells.iter().map(Vec::len).max().unwrap_or(0);
    for at in 0..height {
        let mut line = String::new();
        for (cell, width) in cells.iter().zip(widths) {
            let part = cell.get(at).map_or("", String::as_str);
            line.push_str(part);
            line.extend(std::iter::repeat_n(
                ' ',
                (width + GAP).saturating_sub(part.chars().count()),
            ));
        }
        out.push_str(line.trim_end());
        out.push('\n');
    }
}

/// Lines of at most `width` characters, broken at blanks; a longer word is cut. Line breaks of the text stay.
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    for paragraph in text.split('\n') {
        let mut line = String::new();
        let mut length = 0;
        for word in paragraph.split_whitespace() {
            let mut word: Vec<char> = word.chars().filter(|c| !c.is_control()).collect();
            if length > 0 && length + 1 + word.len() > width {
                lines.push(std::mem::take(&mut line));
                length = 0;
            }
            if length > 0 {
                line.push(' ');
                length += 1;
            }
            while word.len() > width {
                let rest = word.split_off(width);
                lines.push(word.into_iter().collect());
                word = rest;
            }
            length += word.len();
            line.extend(word);
        }
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    proptest::proptest! {
        #[test]
        fn no_line_is_too_long_and_no_letter_is_lost(text in "[a-zé \n]{0,80}", width in 1..20usize) {
            let lines = wrap(&text, width);
            let letters = |text: &str| text.chars().filter(|c| !c.is_whitespace()).collect::<String>();
            proptest::prop_assert!(lines.iter().all(|line| line.chars().count() <= width));
            proptest::prop_assert_eq!(letters(&lines.concat()), letters(&text));
        }
    }

    #[test]
    fn cells_stand_side_by_side() {
        let mut out = String::new();
        let row = Row(["a long cell".to_owned(), "b".to_owned()]);
        push_table(&mut out, ["one", "two"], [6, 5], &[row]);
        assert_eq!(out, "one     two\n------  -----\na long  b\ncell\n");
    }
}
