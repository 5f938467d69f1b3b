//! The first pages of all sheets in one file: which blocks there are, how they stand, on which page each begins, and room for who
//! prepared and who approves them.

use super::canvas::{Align, BODY, Canvas, Frame, PT_PER_MM, Tone, Type};
use super::file::Page;
use super::font::{self, Weight};
use super::words::Words;
use crate::model::{BlockPlan, BlockStatus, Paper, Verdict};
use crate::outputs::findings_french::figure;
use crate::outputs::style::{self, Ink, Theme};
use crate::outputs::text;
use crate::units::hectares;

const EDGE: f64 = 12.0 * PT_PER_MM;
const ROW: f64 = 11.5;
/// Title, sums and the heads of columns.
const HEAD: f64 = 76.0;
const FOOT: f64 = 14.0;
/// For names, dates and signatures.
const APPROVAL: f64 = 92.0;
const BOLD: Type = Type {
    weight: Weight::Bold,
    ..BODY
};

/// What the list says of a block.
#[derive(Clone, Debug)]
pub struct Line {
    block_id: String,
    status: BlockStatus,
    gross_m2: f64,
    net_m2: f64,
    share_left: Option<f64>,
    required_share: f64,
    day_hours: Option<f64>,
    night_hours: Option<f64>,
    /// Ids of rules that are not met.
    fails: Vec<String>,
}

impl Line {
    pub fn of(plan: &BlockPlan) -> Line {
        let fails = plan.compliance.iter();
        let fails = fails.filter(|row| row.status == Verdict::Fail);
        Line {
            block_id: plan.id.clone(),
            status: plan.status,
            gross_m2: plan.books.gross_m2,
            net_m2: plan.books.net_m2,
            share_left: plan.share_left(),
            required_share: plan.required_share,
            day_hours: plan.day_hours,
            night_hours: plan.night_hours,
            fails: fails.map(|row| row.rule_id.clone()).collect(),
        }
    }
}

/// The list of some blocks, each with how many pages it has, in the order of these.
pub fn draw(
    blocks: &[(Line, usize)],
    title: &str,
    words: &Words,
    paper: Paper,
    theme: Theme,
) -> Vec<Page> {
    let [width, height] = paper.sides_mm().map(|mm| mm * PT_PER_MM);
    let room = height - 2.0 * EDGE - HEAD - FOOT;
    let rows = (room / ROW).floor().max(1.0) as usize;
    let mut parts: Vec<&[(Line, usize)]> = blocks.chunks(rows).collect();
    let last = parts.last().map_or(0, |part| part.len());
    // Where the last list leaves no room for it, the approval has a page of its own.
    if (last as f64) * ROW + APPROVAL > room {
        parts.push(&[]);
    }
    let pages = parts.len();
    let mut list = List {
        words,
        theme,
        size: (width, height),
        canvas: Canvas::new(theme),
        y: 0.0,
        page: pages + 1,
    };
    let mut drawn = Vec::with_capacity(pages);
    for (number, part) in parts.into_iter().enumerate() {
        list.begin(title, blocks, (number + 1, pages));
        for (line, count) in part {
            list.line(line);
            list.page += count;
        }
        if number + 1 == pages {
            list.approval();
        }
        let canvas = std::mem::replace(&mut list.canvas, Canvas::new(theme));
        drawn.push(Page::new(list.size, canvas.finish(), None, String::new()));
    }
    drawn
}

struct List<'w> {
    words: &'w Words,
    theme: Theme,
    size: (f64, f64),
    canvas: Canvas,
    y: f64,
    /// On which the next block begins.
    page: usize,
}

impl List<'_> {
    /// Right edges of figures, left edge of the rest.
    fn columns(&self) -> [f64; 7] {
        let x = |share: f64| EDGE + share * (self.size.0 - 2.0 * EDGE);
        [
            x(0.0),
            x(0.17),
            x(0.455),
            x(0.475),
            x(0.615),
            x(0.765),
            x(0.785),
        ]
    }

    fn right(kind: Type) -> Type {
        Type {
            align: Align::Right,
            ..kind
        }
    }

    fn begin(&mut self, title: &str, blocks: &[(Line, usize)], (number, pages): (usize, usize)) {
        let (width, height) = self.size;
        self.canvas.ground(width, height);
        let room = width - 2.0 * EDGE;
        let big = Type { size: 17.0, ..BOLD };
        let top = height - EDGE;
        let head = font::fit(title, big.weight, big.size, room);
        self.canvas.bytes(big, EDGE, top - 15.0, &head);
        let count = |status: BlockStatus| {
            let those = blocks.iter().filter(|(line, _)| line.status == status);
            those.count().to_string()
        };
        let sum = |of: fn(&Line) -> f64| {
            let sum: f64 = blocks.iter().map(|(line, _)| of(line)).sum();
            format!("{:.1}", hectares(sum))
        };
        let words = self.words;
        let sums = text::fill(
            words.index_sums,
            &[
                &blocks.len().to_string(),
                &count(BlockStatus::Ok),
                &count(BlockStatus::Warn),
                &count(BlockStatus::Fail),
                &sum(|line| line.gross_m2),
                &sum(|line| line.net_m2),
            ],
        );
        let sums = figure(sums, words.map.language);
        let kind = Type { size: 9.5, ..BODY };
        let sums = font::fit(&sums, kind.weight, kind.size, room);
        self.canvas.bytes(kind, EDGE, top - 31.0, &sums);
        let [block, verdict, net, left, hours, page, fails] = self.columns();
        self.y = top - HEAD + 8.0;
        let heads = words.index_heads;
        for (x, head, kind) in [
            (block, heads[0], BOLD),
            (verdict, heads[1], BOLD),
            (net, heads[2], Self::right(BOLD)),
            (left, heads[3], BOLD),
            (hours, heads[4], BOLD),
            (page, heads[5], Self::right(BOLD)),
            (fails, heads[6], BOLD),
        ] {
            self.canvas.text(kind, x, self.y, head);
        }
        let y = self.y - 3.5;
        self.rule(y, EDGE, width - EDGE);
        self.y -= 4.0;
        let said = text::fill(words.index_foot, &[&number.to_string(), &pages.to_string()]);
        let said = font::fit(&said, BODY.weight, BODY.size, room);
        self.canvas.bytes(BODY, EDGE, EDGE, &said);
    }

    fn rule(&mut self, y: f64, from: f64, to: f64) {
        self.canvas.apart(|canvas| {
            canvas.pen(Ink::Faint, 0.5);
            canvas.path([(from, y), (to, y)].into_iter(), false);
            canvas.stroke();
        });
    }

    fn line(&mut self, line: &Line) {
        let words = self.words;
        let language = words.map.language;
        self.y -= ROW;
        let y = self.y;
        let [block, verdict, net, left, hours, page, fails] = self.columns();
        let fit = |text: &str, kind: Type, room: f64| font::fit(text, kind.weight, kind.size, room);
        let id = fit(&line.block_id, BOLD, verdict - block - 6.0);
        self.canvas.bytes(BOLD, block, y, &id);
        // Told by tone, shape and word, as on the sheets.
        let [fill, _] = style::status_sign_on(self.theme, line.status);
        self.canvas.apart(|canvas| {
            canvas.fill_with(Tone::Set(fill));
            canvas.pen(Ink::Words, 0.5);
            let (x, y) = (verdict + 3.5, y + 2.8);
            match line.status {
                BlockStatus::Ok => canvas.circle(x, y, 3.2),
                BlockStatus::Warn => canvas.path(
                    [(x, y + 3.8), (x + 4.0, y - 3.2), (x - 4.0, y - 3.2)].into_iter(),
                    true,
                ),
                BlockStatus::Fail => canvas.rect(Frame {
                    x: x - 3.2,
                    y: y - 3.2,
                    width: 6.4,
                    height: 6.4,
                }),
            }
            canvas.fill_and_stroke();
        });
        let word = style::status_word(line.status, words.map);
        let word = fit(word, BODY, net - verdict - 55.0);
        self.canvas.bytes(BODY, verdict + 11.0, y, &word);
        let area = figure(format!("{:.2} ha", hectares(line.net_m2)), language);
        self.canvas.text(Self::right(BODY), net, y, &area);
        let percent = |share: f64| format!("{:.1}", share * 100.0);
        let none = || words.map.none.to_owned();
        let kept = line.share_left.map_or_else(none, percent);
        let kept = format!("{kept} / {} %", percent(line.required_share));
        self.canvas.text(BODY, left, y, &figure(kept, language));
        let hour = |hours: Option<f64>| {
            let known = hours.filter(|hours| hours.is_finite());
            known.map_or_else(none, |hours| format!("{hours:.1}"))
        };
        let both = format!("{} / {} h", hour(line.day_hours), hour(line.night_hours));
        self.canvas.text(BODY, hours, y, &figure(both, language));
        (self.canvas).text(Self::right(BODY), page, y, &self.page.to_string());
        let why = fit(&line.fails.join(", "), BODY, self.size.0 - EDGE - fails);
        self.canvas.bytes(BODY, fails, y, &why);
    }

    /// Lines to write on.
    fn approval(&mut self) {
        let words = self.words;
        self.y -= 30.0;
        let middle = self.size.0 / 2.0;
        for label in words.index_approval {
            self.canvas.text(BODY, EDGE, self.y, label[0]);
            self.canvas.text(BODY, middle, self.y, label[1]);
            let y = self.y - 2.0;
            self.rule(y, EDGE + 90.0, middle - 14.0);
            self.rule(y, middle + 60.0, self.size.0 - EDGE);
            self.y -= 26.0;
        }
    }
}
