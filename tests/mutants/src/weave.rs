//! Writes each mutant beside what it replaces, behind a switch: `a < b` becomes
//! `(match (&(a), &(b)) { (l, r) => if crate::mutant(17) { *l <= *r } else { *l < *r } })`. Operands are written once, so that
//! the text does not double with each operator around it.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::path::Path;
use std::process::Command;

use proc_macro2::Span;
use serde_json::Value;
use syn::spanned::Spanned;
use syn::visit::{self, Visit};
use syn::{BinOp, Block, Expr, Pat, Signature};

/// What the switches ask; `BLOCKWRIGHT_REACHED` names a file for the numbers of the mutants that a test meets.
const SWITCH: &str = r#"
#[doc(hidden)]
pub fn mutant(number: usize) -> bool {
    use std::sync::LazyLock;
    use std::sync::atomic::{AtomicBool, Ordering};
    static ON: LazyLock<usize> = LazyLock::new(|| {
        std::env::var("BLOCKWRIGHT_MUTANT").ok().and_then(|text| text.parse().ok()).unwrap_or(usize::MAX)
    });
    static REACHED: LazyLock<Option<std::ffi::OsString>> = LazyLock::new(|| std::env::var_os("BLOCKWRIGHT_REACHED"));
    static MET: [AtomicBool; 100_000] = [const { AtomicBool::new(false) }; 100_000];
    if let Some(path) = &*REACHED
        && !MET[number].load(Ordering::Relaxed)
        && !MET[number].swap(true, Ordering::Relaxed)
    {
        use std::io::Write;
        let file = std::fs::OpenOptions::new().append(true).create(true).open(path);
        file.unwrap().write_all(format!("{number}\n").as_bytes()).unwrap();
    }
    *ON == number
}
"#;

type Place = (String, usize, usize);

struct Mutant {
    number: usize,
    replacement: String,
}

struct Edit {
    bytes: Range<usize>,
    /// Of the edits at one byte: those that close come first, the innermost of them first; then those that open.
    rank: isize,
    text: String,
    node: usize,
}

#[derive(Default)]
struct Weaver {
    wanted: BTreeMap<Place, Vec<Mutant>>,
    edits: Vec<Edit>,
    /// The numbers of the mutants of each rewritten node.
    nodes: Vec<Vec<usize>>,
}

impl Weaver {
    fn take(&mut self, genre: &str, span: Span) -> Vec<Mutant> {
        let start = span.start();
        let place = (genre.to_string(), start.line, start.column + 1);
        self.wanted.remove(&place).unwrap_or_default()
    }

    /// Edits of one node, in the order of the text.
    fn node(&mut self, mutants: &[Mutant], edits: Vec<(Range<usize>, String)>) {
        if mutants.is_empty() {
            return;
        }
        let node = self.nodes.len();
        self.nodes.push(mutants.iter().map(|m| m.number).collect());
        let last = edits.len() - 1;
        for (index, (bytes, text)) in edits.into_iter().enumerate() {
            let order = node as isize + 1;
            let rank = if index == last && index > 0 {
                -order
            } else {
                order
            };
            self.edits.push(Edit {
                bytes,
                rank,
                text,
                node,
            });
        }
    }

    fn body(&mut self, signature: &Signature, block: &Block) {
        let Some(first) = block.stmts.first() else {
            return;
        };
        // Of `impl Iterator` there can be one type only.
        if text_of(&signature.output).contains("impl ") {
            return;
        }
        let mutants = self.take("FnValue", first.span());
        let at = block.brace_token.span.open().byte_range().end;
        let text: String = mutants
            .iter()
            .map(|m| {
                format!(
                    "\nif crate::mutant({}) {{ return {}; }}\n",
                    m.number, m.replacement
                )
            })
            .collect();
        self.node(&mutants, vec![(at..at, text)]);
    }
}

/// Branches, each on a line of its own, so that an error of the compiler tells which it means.
fn branches(mutants: &[Mutant], original: &str, of: impl Fn(&str) -> String) -> String {
    let branch = |m: &Mutant| {
        format!(
            "\nif crate::mutant({}) {{ {} }} else\n",
            m.number,
            of(&m.replacement)
        )
    };
    mutants.iter().map(branch).collect::<String>() + &format!("{{ {} }}", of(original))
}

/// Stands before the condition of an arm, which holds with one mutant and fails with the others.
fn conditions(mutants: &[Mutant]) -> String {
    let condition = |m: &Mutant| match m.replacement.as_str() {
        "true" => format!("\ncrate::mutant({}) || ", m.number),
        _ => format!("\n!crate::mutant({}) && ", m.number),
    };
    mutants.iter().map(condition).collect()
}

fn text_of(node: &impl Spanned) -> String {
    node.span().source_text().unwrap_or_default()
}

fn has_let(expr: &Expr) -> bool {
    match expr {
        Expr::Let(_) => true,
        Expr::Binary(binary) => has_let(&binary.left) || has_let(&binary.right),
        _ => false,
    }
}

impl<'ast> Visit<'ast> for Weaver {
    fn visit_expr_binary(&mut self, node: &'ast syn::ExprBinary) {
        let mutants = match has_let(&node.left) || has_let(&node.right) {
            true => Vec::new(),
            false => self.take("BinaryOperator", node.op.span()),
        };
        if mutants.is_empty() {
            return visit::visit_expr_binary(self, node);
        }
        let left = node.left.span().byte_range();
        let right = node.right.span().byte_range();
        let mut start = left.start..left.start;
        let mut between = left.end..right.start;
        let sign = text_of(&node.op);
        let (before, middle, after) = match node.op {
            // The second operand counts only where the first leaves the answer open, and `||` leaves open what `&&` settles.
            BinOp::And(_) | BinOp::Or(_) => {
                let open = if sign == "&&" { "!=" } else { "==" };
                let number = mutants[0].number;
                let ask = format!(") {{ l =>\nif l {open} crate::mutant({number}) {{\n");
                ("(match (", ask, "} else { l } })".into())
            }
            BinOp::Lt(_)
            | BinOp::Le(_)
            | BinOp::Gt(_)
            | BinOp::Ge(_)
            | BinOp::Eq(_)
            | BinOp::Ne(_) => {
                let text = branches(&mutants, &sign, |op| format!("*l {op} *r"));
                (
                    "(match (&(",
                    "), &(".into(),
                    format!(")) {{ (l, r) => {text} }})"),
                )
            }
            _ if sign.ends_with('=') => {
                let place = text_of(&node.left);
                let text = branches(&mutants, &sign, |op| format!("{place} {op} r"));
                start = left.start..right.start;
                between = right.start..right.start;
                ("(match (", String::new(), format!(") {{ r => {text} }})"))
            }
            _ => {
                let text = branches(&mutants, &sign, |op| format!("l {op} r"));
                (
                    "(match (",
                    ", ".into(),
                    format!(") {{ (l, r) => {text} }})"),
                )
            }
        };
        let whole = start.is_empty();
        let edits = vec![
            (start, before.into()),
            (between, middle),
            (right.end..right.end, after),
        ];
        self.node(&mutants, edits);
        if whole {
            self.visit_expr(&node.left);
        }
        self.visit_expr(&node.right);
    }

    fn visit_expr_unary(&mut self, node: &'ast syn::ExprUnary) {
        let mutants = self.take("UnaryOperator", node.op.span());
        let sign = node.op.span().byte_range();
        let end = node.span().byte_range().end;
        let text = branches(&mutants, &text_of(&node.op), |op| format!("{op}v"));
        let after = format!(") {{ v => {text} }})");
        self.node(&mutants, vec![(sign, "(match (".into()), (end..end, after)]);
        visit::visit_expr_unary(self, node);
    }

    fn visit_expr_match(&mut self, node: &'ast syn::ExprMatch) {
        let takes_all = |arm: &syn::Arm| arm.guard.is_none() && matches!(arm.pat, Pat::Wild(_));
        let may_go = node.arms.iter().any(takes_all);
        for arm in &node.arms {
            let mut mutants = Vec::new();
            if may_go {
                mutants = self.take("MatchArm", arm.span());
            }
            let mut test: String = conditions(&mutants);
            let Some((_, guard)) = &arm.guard else {
                let end = arm.pat.span().byte_range().end;
                self.node(&mutants, vec![(end..end, format!(" if {test}true\n"))]);
                continue;
            };
            let answered = self.take("MatchArmGuard", guard.span());
            test += &format!("({}\n(", conditions(&answered));
            mutants.extend(answered);
            let span = guard.span().byte_range();
            let edits = vec![
                (span.start..span.start, test),
                (span.end..span.end, "))".into()),
            ];
            self.node(&mutants, edits);
        }
        visit::visit_expr_match(self, node);
    }

    fn visit_item_fn(&mut self, node: &'ast syn::ItemFn) {
        if node.sig.constness.is_none() {
            self.body(&node.sig, &node.block);
            self.visit_block(&node.block);
        }
    }

    fn visit_impl_item_fn(&mut self, node: &'ast syn::ImplItemFn) {
        if node.sig.constness.is_none() {
            self.body(&node.sig, &node.block);
            self.visit_block(&node.block);
        }
    }

    // Where only constants may stand.
    fn visit_item_const(&mut self, _: &'ast syn::ItemConst) {}
    fn visit_item_static(&mut self, _: &'ast syn::ItemStatic) {}
    fn visit_impl_item_const(&mut self, _: &'ast syn::ImplItemConst) {}
    fn visit_pat(&mut self, _: &'ast syn::Pat) {}
    fn visit_type(&mut self, _: &'ast syn::Type) {}
    fn visit_expr_repeat(&mut self, node: &'ast syn::ExprRepeat) {
        self.visit_expr(&node.expr);
    }
}

/// The text with its edits, and the first and last line of each node.
fn edited(text: &str, weaver: &mut Weaver) -> (String, Vec<(usize, usize)>) {
    weaver
        .edits
        .sort_by_key(|edit| (edit.bytes.start, edit.rank));
    let mut lines: Vec<(usize, usize)> = vec![(usize::MAX, 0); weaver.nodes.len()];
    let (mut new, mut done, mut line) = (String::new(), 0, 1);
    let newlines = |text: &str| text.matches('\n').count();
    for edit in &weaver.edits {
        let kept = &text[done..edit.bytes.start];
        let from = line + newlines(kept);
        line = from + newlines(&edit.text);
        new.push_str(kept);
        new.push_str(&edit.text);
        done = edit.bytes.end;
        let of = &mut lines[edit.node];
        *of = (of.0.min(from), of.1.max(line));
    }
    new.push_str(&text[done..]);
    (new, lines)
}

struct Woven {
    text: String,
    lines: Vec<(usize, usize)>,
    nodes: Vec<Vec<usize>>,
}

impl Woven {
    /// The mutants at fault for an error at `line`: those on it, or else those of the smallest node around it.
    fn blamed(&self, line: usize) -> Vec<usize> {
        let at_line = self.text.lines().nth(line - 1).unwrap_or("");
        let number = |part: &str| {
            part.split(')')
                .next()
                .and_then(|digits| digits.parse().ok())
        };
        let on_it: Vec<usize> = at_line
            .split("crate::mutant(")
            .skip(1)
            .filter_map(number)
            .collect();
        if !on_it.is_empty() {
            return on_it;
        }
        let around = self
            .lines
            .iter()
            .zip(&self.nodes)
            .filter(|((first, last), _)| (first..=last).contains(&&line));
        around
            .min_by_key(|((first, last), _)| last - first)
            .map_or(Vec::new(), |(_, node)| node.clone())
    }
}

pub fn weave(list: &Path, tree: &Path) {
    let list = std::fs::read_to_string(list).expect("LIST can be read");
    let list: Vec<Value> = serde_json::from_str(&list).expect("LIST is JSON");
    let text = |value: &Value| value.as_str().unwrap_or_default().to_string();
    let files: BTreeSet<String> = list.iter().map(|m| text(&m["file"])).collect();
    let original =
        |file: &str| std::fs::read_to_string(tree.join(file)).expect("a source can be read");
    let sources: BTreeMap<&String, String> =
        files.iter().map(|file| (file, original(file))).collect();
    let lib = original("src/lib.rs");
    std::fs::write(tree.join("src/lib.rs"), lib + SWITCH).expect("a source can be written");

    let mut unbuilt = BTreeSet::new();
    let mut without_branch = BTreeSet::new();
    loop {
        let mut woven: BTreeMap<&String, Woven> = BTreeMap::new();
        without_branch.clear();
        for (file, source) in &sources {
            let mut weaver = Weaver::default();
            for (number, mutant) in list.iter().enumerate() {
                if text(&mutant["file"]) != **file || unbuilt.contains(&number) {
                    continue;
                }
                let at =
                    |name: &str| mutant["span"]["start"][name].as_u64().expect("a place") as usize;
                let place = (text(&mutant["genre"]), at("line"), at("column"));
                let replacement = text(&mutant["replacement"]);
                weaver.wanted.entry(place).or_default().push(Mutant {
                    number,
                    replacement,
                });
            }
            weaver.visit_file(&syn::parse_file(source).expect("Rust"));
            let (text, lines) = edited(source, &mut weaver);
            std::fs::write(tree.join(file), &text).expect("a source can be written");
            without_branch.extend(weaver.wanted.into_values().flatten().map(|m| m.number));
            woven.insert(
                file,
                Woven {
                    text,
                    lines,
                    nodes: weaver.nodes,
                },
            );
        }
        let faults = errors(tree);
        if faults.is_empty() {
            break;
        }
        let before = unbuilt.len();
        for (file, line, message) in &faults {
            let blamed = woven
                .get(file)
                .map_or(Vec::new(), |woven| woven.blamed(*line));
            eprintln!("{file}:{line}: {message}: leaves out {blamed:?}");
            unbuilt.extend(blamed);
        }
        assert!(unbuilt.len() > before, "no mutant is at fault for these");
    }

    let mut rows = String::new();
    for (number, mutant) in list.iter().enumerate() {
        let state = match (unbuilt.contains(&number), without_branch.contains(&number)) {
            (true, _) => "unbuilt",
            (_, true) => "no branch",
            _ => "built",
        };
        let folder = text(&mutant["file"])
            .split('/')
            .nth(1)
            .unwrap_or_default()
            .to_string();
        rows += &format!("{number}\t{state}\t{folder}\t{}\n", text(&mutant["name"]));
    }
    std::fs::write(tree.join("mutants.tsv"), rows).expect("TREE can be written to");
}

/// Where the library does not compile: file, line and the compiler's words.
fn errors(tree: &Path) -> Vec<(String, usize, String)> {
    let output = Command::new("cargo")
        .args([
            "test",
            "--no-run",
            "--locked",
            "--lib",
            "--message-format=json",
        ])
        .current_dir(tree)
        .stderr(std::process::Stdio::inherit())
        .output()
        .expect("cargo starts");
    let messages = String::from_utf8_lossy(&output.stdout);
    let messages = messages
        .lines()
        .filter_map(|line| serde_json::from_str::<Value>(line).ok());
    let mut faults = Vec::new();
    for message in messages.filter(|m| m["message"]["level"] == "error") {
        let spans = message["message"]["spans"].as_array().into_iter().flatten();
        for span in spans.filter(|span| span["is_primary"] == true) {
            let line = span["line_start"].as_u64().unwrap_or(0) as usize;
            let words = message["message"]["message"].as_str().unwrap_or_default();
            faults.push((
                span["file_name"].as_str().unwrap_or_default().to_string(),
                line,
                words.to_string(),
            ));
        }
    }
    assert!(
        output.status.success() || !faults.is_empty(),
        "the copy does not build"
    );
    faults
}
