//! Blank envelopes, reports and plots: rendered by Poppler, measured, and their
//! codes followed back to the lot.

mod common;

use common::paper::rendered;
use common::{draft, folder, type_in};
use glassine::catalogue::{Catalogue, Change};
use glassine::intake::PhotoFacts;
use glassine::out::{EnvelopeRules, envelopes};
use image::imageops::crop_imm;
use image::{GrayImage, Luma};
use std::path::Path;
use std::process::Command;

const WHO: &str = "M. Orrin";

/// The darkest column (or row) within 1 mm of `near`, in millimetres.
fn line_at(picture: &GrayImage, dpi: u32, upright: bool, near: f32, along: (f32, f32)) -> f32 {
    let px = |mm: f32| (mm * dpi as f32 / 25.4).round() as u32;
    let dark = |at: u32| -> u64 {
        (px(along.0)..px(along.1))
            .map(|o| {
                let (x, y) = if upright { (at, o) } else { (o, at) };
                u64::from(255 - picture.get_pixel(x, y)[0])
            })
            .sum()
    };
    let best = (px(near - 1.0)..=px(near + 1.0)).max_by_key(|at| dark(*at)).unwrap();
    (best as f32 + 0.5) * 25.4 / dpi as f32
}

#[test]
fn envelopes_measure_what_was_asked_for_and_fold_into_a_triangle() {
    let rules = EnvelopeRules::load(None).unwrap();
    let made = envelopes(1, 4, &rules).unwrap();
    let dpi = 600;
    let Some(sheet) = rendered(&made.pdf, 0, dpi) else { return };
    for (code, _, (x, y, w, h)) in &made.places {
        let (down, across) = ((y + 60.0, y + h - 6.0), (x + 2.0, x + 20.0));
        let [left, right] = [*x, x + w].map(|at| line_at(&sheet, dpi, true, at, down));
        let [top, bottom] = [*y, y + h].map(|at| line_at(&sheet, dpi, false, at, across));
        assert!((right - left - rules.length).abs() < 0.1, "{code}: {} mm", right - left);
        assert!((bottom - top - rules.height).abs() < 0.1, "{code}: {} mm", bottom - top);
        // Both flaps fold along the ends of the triangle's sides.
        let flap = (rules.length - rules.height) / 2.0;
        let folds = [x + flap, x + w - flap].map(|at| line_at(&sheet, dpi, true, at, down));
        assert!((folds[1] - folds[0] - rules.height).abs() < 0.1, "{code}: {} mm", folds[1] - folds[0]);
        // The slanted fold stands at 45 degrees: at every height it is as far
        // from the lower fold as from the lower edge.
        for up in [20.0, 35.0, 45.0] {
            let row = ((y + h - up) * dpi as f32 / 25.4).round() as u32;
            let from = ((x + flap + up - 1.5) * dpi as f32 / 25.4) as u32;
            let to = ((x + flap + up + 1.5) * dpi as f32 / 25.4) as u32;
            // It is dashed: some row within one dash and one gap shows it.
            let shown = (row - 60..row + 60).any(|r| (from..to).any(|c| sheet.get_pixel(c, r)[0] < 220));
            assert!(shown, "{code}: no fold at {up} mm");
        }
    }
    let base = 210.0 - rules.margin;
    let ends =
        [rules.margin, rules.margin + 50.0].map(|x| line_at(&sheet, dpi, true, x, (base - 1.9, base - 1.5)));
    assert!((ends[1] - ends[0] - 50.0).abs() < 0.1);
}

/// A photograph of the whole envelope, slightly turned, on a table: its code is
/// read, becomes the number of the draft, and the number finds the settled lot.
#[test]
fn a_photographed_envelope_finds_its_lot() {
    let rules = EnvelopeRules::load(None).unwrap();
    let made = envelopes(42, 2, &rules).unwrap();
    let Some(sheet) = rendered(&made.pdf, 0, 300) else { return };
    let (place, catalogue) = folder();
    for (n, (code, _, (x, y, w, h))) in made.places.iter().enumerate() {
        let px = |mm: f32| (mm * 300.0 / 25.4).round() as u32;
        let paper = crop_imm(&sheet, px(*x), px(*y), px(*w), px(*h)).to_image();
        let mut table = GrayImage::from_pixel(paper.width() + 400, paper.height() + 400, Luma([150]));
        image::imageops::replace(&mut table, &paper, 200, 200);
        let photo = imageproc::geometric_transformations::rotate_about_center(
            &table,
            0.05,
            imageproc::geometric_transformations::Interpolation::Bilinear,
            imageproc::geometric_transformations::Border::Constant(Luma([150])),
        );
        let photo = image::imageops::blur(&photo, 0.8);
        let codes = glassine::layout::find_codes(&photo);
        assert_eq!(codes.iter().map(|c| c.text.as_str()).collect::<Vec<_>>(), [code.as_str()]);
        let (mut reading, ..) =
            draft(n, PhotoFacts { name: format!("envelope-{n}"), ..PhotoFacts::default() });
        reading.codes = codes;
        let parsed = glassine::parsing::parse(&reading, &glassine::parsing::Rules::load(None).unwrap());
        assert_eq!(parsed.value("catalogNumber"), code);
        let entered = catalogue.enter_draft(&reading, &parsed, &[]).unwrap();
        let lot = catalogue.settle(entered.draft, WHO, &[], None).unwrap();
        let found: Vec<i64> = catalogue.search(code, 10).unwrap().iter().map(|h| h.lot).collect();
        assert_eq!(found, [lot]);
    }
    // The same numbers are not printed a second time.
    let moths = place.path().join("moths");
    drop(catalogue);
    let run = |args: &[&str]| {
        let to = place.path().join("e.pdf");
        let done = Command::new(env!("CARGO_BIN_EXE_glassine"))
            .arg("envelopes")
            .arg(&moths)
            .args(args)
            .arg("--to")
            .arg(&to)
            .output()
            .unwrap();
        (done.status.code(), String::from_utf8(done.stderr).unwrap())
    };
    let (code, said) = run(&["--from", "40", "--count", "5"]);
    assert!(
        code == Some(1) && said.contains("number E-00042 and 1 more: is in the catalogue already"),
        "{said}"
    );
    let (code, said) = run(&["--from", "44", "--count", "5"]);
    assert!(code == Some(0) && said.contains("E-00044 to E-00048") && said.contains("--from 49"), "{said}");
}

fn settled(catalogue: &Catalogue, count: usize) {
    for n in 0..count {
        let draft = type_in(catalogue, n);
        let changes: Vec<Change> = [
            ("decimalLatitude", format!("54.3{}", n % 10)),
            ("decimalLongitude", format!("-2.9{}", n % 7)),
            ("minimumElevationInMeters", format!("{}", 300 + 40 * (n % 9))),
            ("individualCount", "2".into()),
        ]
        .map(|(term, value)| Change { term: term.into(), value })
        .into();
        catalogue.settle(draft, WHO, &changes, None).unwrap();
    }
}

fn glassine(args: &[&str], more: &[&Path]) -> (Option<i32>, String) {
    let done = Command::new(env!("CARGO_BIN_EXE_glassine")).args(args).args(more).output().unwrap();
    (done.status.code(), String::from_utf8(done.stderr).unwrap())
}

#[test]
fn a_report_tells_every_species_place_and_count() {
    let (place, catalogue) = folder();
    settled(&catalogue, 40);
    let moths = place.path().join("moths");
    std::fs::write(moths.join("config/sensitive.toml"), "taxa = [\"Plusia vallis\"]\n").unwrap();
    drop(catalogue);
    let to = place.path().join("report.pdf");
    let text = |args: &[&str]| -> Option<String> {
        let mut all = vec!["report"];
        all.extend(args);
        let (code, said) = glassine(&all, &[&moths, Path::new("--to"), &to]);
        assert_eq!(code, Some(0), "{said}");
        let done = Command::new("pdftotext").arg("-layout").arg(&to).arg("-").output().ok()?;
        Some(String::from_utf8(done.stdout).unwrap())
    };
    let Some(all) = text(&["--permit", "TV 26/014", "--for", "the Mere End estate"]) else {
        println!("skipped: pdftotext is missing (./setup.sh tests installs it)");
        return;
    };
    for words in [
        "TV 26/014",
        "the Mere End estate",
        "Noctua serena",
        "Plusia vallis",
        "Mere End",
        "Collected by A. Vell",
    ] {
        assert!(all.contains(words), "{words}: {all}");
    }
    // 5 species at 4 places, two lots of two animals each.
    assert_eq!(
        all.lines().filter(|l| l.trim_end().ends_with("  4") && l.contains("vii.1993")).count(),
        20,
        "{all}"
    );
    let sum = all.lines().find(|l| l.contains("5 names at 4 places")).unwrap();
    assert_eq!(sum.split_whitespace().rev().take(2).collect::<Vec<_>>(), ["80", "40"]);

    let some = text(&["--since", "1993-07-02", "--until", "1993-07-03"]).unwrap();
    assert!(some.contains("Collected from 2.vii.1993 to 3.vii.1993"), "{some}");
    assert!(some.contains("8") && !some.contains(" 1.vii.1993"), "{some}");

    // The sensitive species keeps its county and loses its place.
    let coarse = text(&["--find", "Plusia", "--coarsen", "10km"]).unwrap();
    assert!(coarse.contains("Plusia vallis") && coarse.contains("Tarn Valley"), "{coarse}");
    for place in ["Tarn Head", "Alder Ghyll", "Low Fold Wood", "Mere End"] {
        assert!(!coarse.contains(place), "{place}: {coarse}");
    }
    let (code, said) = glassine(&["report", "--since", "2020-01-01"], &[&moths, Path::new("--to"), &to]);
    assert!(code == Some(1) && said.contains("no lot between these days"), "{said}");
}

#[test]
fn plots_are_written_and_say_what_they_lack() {
    let (place, catalogue) = folder();
    settled(&catalogue, 12);
    let bare = type_in(&catalogue, 12);
    let lot = catalogue.settle(bare, WHO, &[], None).unwrap().to_string();
    let moths = place.path().join("moths");
    drop(catalogue);
    let to = place.path().join("plots");
    let (code, said) = glassine(&["plots"], &[&moths, Path::new("--to"), &to]);
    assert!(code == Some(0) && said.contains("3 plots of 13 lots"), "{said}");
    for (file, words) in [
        ("flight-time.svg", "13 lots"),
        ("flight-elevation.svg", "12 of 13 lots tell their day and elevation"),
        ("map.svg", "12 of 13 lots tell their place"),
    ] {
        let svg = std::fs::read_to_string(to.join(file)).unwrap();
        assert!(svg.contains(words), "{file}: {svg}");
        if let Ok(done) = Command::new("xmllint").args(["--noout", "--nonet"]).arg(to.join(file)).output() {
            assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        }
    }
    let (code, said) = glassine(&["plots", "--lots", &lot], &[&moths, Path::new("--to"), &to]);
    assert!(code == Some(3) && said.contains("map.svg: the plot: has nothing to show"), "{said}");
}
