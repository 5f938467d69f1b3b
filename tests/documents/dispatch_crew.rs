//! Crew files: what is right is read, what is wrong is told with line and remedy.

use std::path::Path;

use blockwright::project::parse_crew;
use blockwright::schedule::calendar::Every;

fn text(path: &str) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{path}: {error}"))
}

#[test]
fn a_crew_is_read_with_its_figures() {
    let path = "fixtures/crew/valid/winter.toml";
    let crew = parse_crew(&text(path), Path::new(path)).unwrap();
    assert_eq!(crew.zone.name(), "America/Winnipeg");
    assert_eq!(crew.light_margin.num_minutes(), 30);
    assert_eq!(crew.shifts.len(), 2);
    let paces: Vec<i64> = crew.machines[0]
        .turns
        .iter()
        .map(|turn| turn.pace)
        .collect();
    assert_eq!(paces, [1000, 1100]);
    assert_eq!(crew.machines[0].max_slope, Some(0.4));
    assert_eq!(
        crew.machines[1].care.service.unwrap().every,
        Every::Seconds(15 * 3600)
    );
    assert_eq!(crew.skidders[0].max_lead_s, 5 * 86_400);
    assert_eq!(crew.moves.walk_up_to_m, 3000.0);
    let fuel = crew.machines[0].care.fuel.as_ref().unwrap();
    assert_eq!(
        (fuel.seconds, fuel.every),
        (1200, Every::Seconds(22 * 3600))
    );
    assert_eq!(crew.skidders[0].care.service.unwrap().seconds, 1800);
    let haulage = crew.haulage.unwrap();
    assert_eq!(
        (haulage.loads, haulage.load_m3, haulage.hours.days.len()),
        (6, 40.0, 5)
    );
    assert_eq!(
        (crew.decks[0].room_m3, crew.decks[0].lies_m3),
        (Some(300.0), 80.0)
    );
    assert_eq!(crew.blocks[0].reach_m, Some(8.5));
    let path = "fixtures/crew/valid/smallest.toml";
    let crew = parse_crew(&text(path), Path::new(path)).unwrap();
    assert!(crew.machines[0].night);
    assert_eq!(crew.machines[0].kinds.len(), 3);
    assert_eq!(crew.shifts[0].days.len(), 7);
}

#[test]
fn every_wrong_crew_file_says_where_and_what_to_do() {
    let mut files: Vec<_> = std::fs::read_dir("fixtures/crew/invalid")
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    files.sort();
    assert!(files.len() >= 15);
    for path in files {
        let name = path.file_stem().unwrap().to_str().unwrap();
        let shown = Path::new(path.file_name().unwrap());
        let error = parse_crew(&text(path.to_str().unwrap()), shown).unwrap_err();
        insta::assert_snapshot!(format!("crew_{name}"), error.to_string());
    }
}

#[test]
fn the_example_of_the_document_is_read() {
    let document = text("docs/dispatch.md");
    let example = document.split("```toml\n").nth(1).unwrap();
    let example = example.split("```").next().unwrap();
    let crew = parse_crew(example, Path::new("docs/dispatch.md"))
        .unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(
        (crew.machines.len(), crew.skidders.len(), crew.blocks.len()),
        (1, 1, 2)
    );
}
