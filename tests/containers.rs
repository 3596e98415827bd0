//! Labels for boxes and drawers: rendered by Poppler, measured, read back, and
//! what their codes on a photograph do.

mod common;

use common::paper::{line_at, rendered};
use common::{draft, folder, take_in};
use glassine::catalogue::{Catalogue, Change, Container, StageRules, Thing};
use glassine::codes;
use glassine::intake::PhotoFacts;
use glassine::out::{ContainerSheets, EnvelopeRules, LabelRules, container_labels, envelopes};
use image::imageops::{crop_imm, replace};
use image::{GrayImage, Luma};
use std::path::Path;
use std::process::Command;

const WHO: &str = "M. Orrin";

fn part(sheet: &GrayImage, dpi: u32, (x, y, w, h): (f32, f32, f32, f32)) -> GrayImage {
    let px = |mm: f32| (mm * dpi as f32 / 25.4).round() as u32;
    crop_imm(sheet, px(x), px(y), px(w), px(h)).to_image()
}

fn made(catalogue: &Catalogue, names: &[(&str, &str)]) -> Vec<Container> {
    let store = catalogue.store();
    for (name, kind) in names {
        catalogue.wait(store.make_container(name, kind, None, WHO)).unwrap();
    }
    catalogue.wait(store.containers(None)).unwrap()
}

const NAMES: [(&str, &str); 5] = [
    ("Drawer 7", "drawer"),
    ("Cabinet Ålesund–Süd, 2nd row", "cabinet"),
    ("Cooler", "cooler"),
    ("Store box of the Tarn Valley moth survey", "store box"),
    ("Box 3", ""),
];

fn sheets(catalogue: &Catalogue) -> ContainerSheets {
    let all = made(catalogue, &NAMES).into_iter().map(|c| (c, None)).collect::<Vec<_>>();
    container_labels(&all, &LabelRules::load(None).unwrap()).unwrap()
}

#[test]
fn labels_measure_what_was_asked_for_and_codes_and_names_are_read_back() {
    let (_place, catalogue) = folder();
    let made = sheets(&catalogue);
    let rules = LabelRules::load(None).unwrap();
    for dpi in [300, 600] {
        let Some(sheet) = rendered(&made.pdf, 0, dpi) else { return };
        for place in &made.places {
            let (x, y, w, h) = place.area;
            assert_eq!((w, h), (rules.container.width, rules.container.height));
            let (down, across) = ((y + 0.6, y + 1.6), (x + 0.6, x + w - 0.6));
            let wide = line_at(&sheet, dpi, true, x + w, down) - line_at(&sheet, dpi, true, x, down);
            let high = line_at(&sheet, dpi, false, y + h, across) - line_at(&sheet, dpi, false, y, across);
            assert!((wide - w).abs() < 0.1 && (high - h).abs() < 0.1, "{dpi} dpi: {wide} x {high} mm");
            let codes = glassine::layout::find_codes(&part(&sheet, dpi, place.area));
            let read: Vec<&str> = codes.iter().map(|c| c.text.as_str()).collect();
            assert_eq!(read, [place.code.as_str()], "{dpi} dpi");
            assert_eq!(codes[0].symbology, "DATA_MATRIX");
        }
        let base = 297.0 - rules.sheet.margin;
        let ends = [rules.sheet.margin, rules.sheet.margin + 50.0]
            .map(|x| line_at(&sheet, dpi, true, x, (base - 1.9, base - 1.5)));
        assert!((ends[1] - ends[0] - 50.0).abs() < 0.1, "{dpi} dpi: the ruler has {} mm", ends[1] - ends[0]);
    }
    // Each code is that of the container whose name stands beside it.
    for container in catalogue.wait(catalogue.store().containers(None)).unwrap() {
        let place = made.places.iter().find(|p| p.code == codes::of_container(container.id)).unwrap();
        let print = place.lines.join(" ");
        assert_eq!(print, format!("{} {}", container.code, container.kind).trim());
    }
    // Poppler finds every word on the paper.
    let place = tempfile::tempdir().unwrap();
    let file = place.path().join("labels.pdf");
    std::fs::write(&file, &made.pdf).unwrap();
    let done = Command::new("pdftotext").arg("-raw").arg(&file).arg("-").output().unwrap();
    let text = String::from_utf8(done.stdout).unwrap();
    let squeezed = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for place in &made.places {
        for line in &place.lines {
            assert!(squeezed.contains(line), "{line} is not in {squeezed}");
        }
    }
}

#[test]
fn our_own_reader_reads_the_names() {
    use glassine::intake::Photo;
    use glassine::pipeline::{Engine, Eyes, Rules, Times};
    let rules = Rules::load(None).unwrap();
    let mut eyes = match Eyes::load(Engine::Neural, "eng", &rules, None) {
        Ok(eyes) => eyes,
        Err(e) => {
            println!("skipped: the models are not there ({e})");
            return;
        }
    };
    let (_place, catalogue) = folder();
    let made = sheets(&catalogue);
    let Some(sheet) = rendered(&made.pdf, 0, 300) else { return };
    let (mut wrong, mut all) = (0, 0);
    for place in &made.places {
        let (x, y, w, h) = place.area;
        let label = part(&sheet, 300, (x + 0.5, y + 0.5, w - 1.0, h - 1.0));
        let mut picture = GrayImage::from_pixel(label.width() + 200, label.height() + 200, Luma([255]));
        replace(&mut picture, &label, 100, 100);
        let pixels = image::DynamicImage::ImageLuma8(picture).into_rgb8();
        let (width, height) = pixels.dimensions();
        let facts = PhotoFacts { name: "box".into(), width, height, ..PhotoFacts::default() };
        let reading = eyes.read(Photo { facts, pixels }, &rules, None, &mut Times::default()).unwrap();
        assert_eq!(reading.codes.iter().map(|c| c.text.as_str()).collect::<Vec<_>>(), [place.code.as_str()]);
        // Strokes of the code may be taken for signs: the words are asked for.
        let text = reading.text();
        let read: Vec<&str> = text.split_whitespace().collect();
        let printed = place.lines.join(" ");
        println!("{printed}\n  read: {}", read.join(" "));
        wrong += printed.split_whitespace().filter(|w| !read.contains(w)).count();
        all += printed.split_whitespace().count();
        // All of it is the container's: nothing is taken for a specimen's.
        let parsed = glassine::parsing::parse(&reading, &rules.parsing);
        assert!(parsed.fields.is_empty(), "{:?}", parsed.fields);
        assert_eq!(parsed.leftovers.len(), reading.labels.iter().map(|l| l.lines.len()).sum::<usize>());
    }
    println!("{wrong} of {all} words wrong");
    assert!(wrong * 10 <= all, "{wrong} of {all} words wrong");
}

#[test]
fn what_lies_in_a_container_is_counted_and_what_has_no_room_is_said() {
    let (_place, catalogue) = folder();
    let store = catalogue.store();
    let lots: Vec<i64> = (0..11)
        .map(|n| {
            let draft = take_in(&catalogue, n);
            catalogue.settle(draft, WHO, &[], None).unwrap()
        })
        .collect();
    let rules = StageRules::load(None).unwrap();
    let held = catalogue.wait(async {
        let drawer = store.make_container("Drawer 7", "drawer", None, WHO).await.unwrap();
        store.make_container("Box 3", "box", Some("Drawer 7"), WHO).await.unwrap();
        let things = |lots: &[i64]| lots.iter().map(|l| Thing::Lot(*l)).collect::<Vec<_>>();
        store.put(&things(&lots[..5]), Some("Drawer 7"), WHO, "").await.unwrap();
        store.put(&things(&lots[5..]), Some("Box 3"), WHO, "").await.unwrap();
        let stage = glassine::catalogue::Stage {
            name: "relaxing".into(),
            whom: String::new(),
            until: None,
            since: jiff::Timestamp::now(),
        };
        store.set_stage(&things(&lots[..2]), &stage, &rules, WHO, "").await.unwrap();
        store.held_in(drawer, &rules).await.unwrap()
    });
    // common::envelope gives every fifth the same name: eleven lots are 3, 2, 2, 2, 2.
    assert_eq!((held.lots, held.specimens), (11, 0));
    assert_eq!(held.names[0], ("Noctua serena".into(), 3));
    assert_eq!(held.names.iter().map(|n| n.1).collect::<Vec<_>>(), [3, 2, 2, 2, 2]);
    assert_eq!(held.stages, [(rules.stage["relaxing"].word.clone(), 2)]);

    let mut container = catalogue.wait(store.containers(None)).unwrap();
    container.retain(|c| c.code == "Drawer 7");
    let mut label_rules = LabelRules::load(None).unwrap();
    label_rules.container.height = 40.0;
    let made = |rules: &LabelRules| {
        container_labels(&[(container[0].clone(), Some(held.clone()))], rules).unwrap().places[0]
            .lines
            .clone()
    };
    let all = made(&label_rules);
    assert_eq!(all[..3], ["Drawer 7", "drawer", "11 lots"]);
    assert!(all.contains(&"3 Noctua serena".into()) && all.contains(&"2 Catocala velli".into()), "{all:?}");
    label_rules.container.height = 22.0;
    let few = made(&label_rules);
    let left_out = all.len() - (few.len() - 1);
    assert_eq!(few.last().unwrap(), &format!("and {left_out} lines more"));
    assert_eq!(few[..few.len() - 1], all[..few.len() - 1]);
}

#[test]
fn a_name_that_does_not_fit_is_refused_with_its_container() {
    let (_place, catalogue) = folder();
    let name = "Donaudampfschifffahrtsgesellschaftskapitänskajütenschrank";
    let all: Vec<_> =
        made(&catalogue, &[(name, "box"), ("蛾 1", "box")]).into_iter().map(|c| (c, None)).collect();
    let error = container_labels(&all, &LabelRules::load(None).unwrap()).unwrap_err().to_string();
    assert!(
        error.contains(&format!("container {name}")) && error.contains("even at")
            || error.contains("at 8 points"),
        "{error}"
    );
    assert!(error.contains("the font has no `蛾`") && error.contains("container.width"), "{error}");
    let store = catalogue.store();
    let taken = catalogue.wait(store.make_container("IN.00001", "", None, WHO)).unwrap_err();
    assert!(taken.to_string().contains("of the kind that labels print"), "{taken}");
}

/// An envelope that lies beside its box's label.
#[test]
fn an_envelope_beside_a_boxs_label_is_said_to_lie_in_that_box() {
    let (_place, catalogue) = folder();
    let boxes = sheets(&catalogue);
    let papers = envelopes(42, 1, &EnvelopeRules::load(None).unwrap()).unwrap();
    let (Some(labels), Some(paper)) = (rendered(&boxes.pdf, 0, 200), rendered(&papers.pdf, 0, 200)) else {
        return;
    };
    let at = boxes.places.iter().find(|p| p.lines[0] == "Box 3").unwrap();
    let mut table = GrayImage::from_pixel(1300, 1100, Luma([150]));
    replace(&mut table, &part(&labels, 200, at.area), 60, 60);
    replace(&mut table, &part(&paper, 200, papers.places[0].2), 100, 320);
    let photo = imageproc::geometric_transformations::rotate_about_center(
        &table,
        0.04,
        imageproc::geometric_transformations::Interpolation::Bilinear,
        imageproc::geometric_transformations::Border::Constant(Luma([150])),
    );
    let codes = glassine::layout::find_codes(&image::imageops::blur(&photo, 0.7));
    let mut read: Vec<&str> = codes.iter().map(|c| c.text.as_str()).collect();
    read.sort_unstable();
    assert_eq!(read, ["E-00042", at.code.as_str()]);
    let (mut reading, ..) = draft(0, PhotoFacts { name: "table".into(), ..PhotoFacts::default() });
    reading.labels[0].quad = glassine::geometry::Quad::upright(300.0, 500.0, 900.0, 800.0);
    reading.codes = codes;
    let parsed = glassine::parsing::parse(&reading, &glassine::parsing::Rules::load(None).unwrap());
    assert_eq!(parsed.value("catalogNumber"), "E-00042");
    assert_eq!(parsed.value("scientificName"), "Noctua serena");
    let entered = catalogue.enter_draft(&reading, &parsed, &[]).unwrap().draft;
    let store = catalogue.store();
    let found = catalogue.wait(store.containers_on(reading.codes.iter().map(|c| c.text.as_str()))).unwrap();
    assert_eq!(found.iter().map(|c| c.code.as_str()).collect::<Vec<_>>(), ["Box 3"]);
    // Settling puts it there in the same deed, and one undo takes both back.
    let lot = catalogue.wait(store.settle_into(entered, WHO, &[], None, Some("Box 3"))).unwrap();
    assert_eq!(catalogue.record(lot).unwrap().kept_in, ["Box 3"]);
    assert!(catalogue.verify(|_, _| {}).unwrap().troubles.is_empty());
    catalogue.undo(WHO).unwrap();
    assert!(catalogue.verify(|_, _| {}).unwrap().troubles.is_empty());
    assert_eq!(catalogue.draft(entered).unwrap().state, glassine::catalogue::State::Waiting);
    let seen = catalogue.draft(entered).unwrap().seen;
    let again = catalogue.settle(entered, WHO, &[], seen).unwrap();
    assert!(catalogue.record(again).unwrap().kept_in.is_empty());
    let other = take_in(&catalogue, 7);
    let none = catalogue.wait(store.settle_into(other, WHO, &[], None, Some("Box 9"))).unwrap_err();
    assert!(none.to_string().contains("container Box 9: is not in this catalogue"), "{none}");
    assert_eq!(catalogue.draft(other).unwrap().state, glassine::catalogue::State::Waiting);
}

/// The commands as a person types them, and a box of envelopes photographed with
/// its label.
#[test]
fn a_photograph_of_a_box_puts_all_its_envelopes_into_it() {
    let (place, catalogue) = folder();
    let moths = place.path().join("moths");
    let papers = envelopes(1, 9, &EnvelopeRules::load(None).unwrap()).unwrap();
    for (n, (code, ..)) in papers.places.iter().enumerate().take(8) {
        let draft = take_in(&catalogue, n);
        let number = [Change { term: "catalogNumber".into(), value: code.clone() }];
        catalogue.settle(draft, WHO, &number, None).unwrap();
    }
    made(&catalogue, &NAMES);
    drop(catalogue);
    let run = |args: &[&str], more: &[&Path]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_glassine"));
        command.arg(args[0]).arg(&moths).args(&args[1..]).args(more);
        if ["put"].contains(&args[0]) {
            command.args(["--who", WHO]);
        }
        let done = command.output().unwrap();
        let said = String::from_utf8(done.stdout).unwrap() + &String::from_utf8(done.stderr).unwrap();
        (done.status.code(), said)
    };
    let pdf = place.path().join("boxes.pdf");
    let (code, said) = run(&["labels", "--containers", "--contents", "--to"], &[&pdf]);
    assert!(code == Some(0) && said.contains("5 labels for containers on 1 sheet"), "{said}");
    let (code, said) = run(&["labels", "--containers", "box 3", "--containers", "Cooler", "--to"], &[&pdf]);
    assert!(code == Some(0) && said.contains("2 labels for containers on 1 sheet"), "{said}");
    let (code, said) = run(&["labels", "--containers", "Box 9", "--to"], &[&pdf]);
    assert!(code == Some(1) && said.contains("Box 9"), "{said}");
    let (code, _) = run(&["labels", "--containers", "--lots", "1", "--to"], &[&pdf]);
    assert_eq!(code, Some(2));

    // A lot by its pin label's code, a box by its own.
    let (code, said) = run(&["put", "L00008-1", "IN.00005", "--in", "IN.00001"], &[]);
    assert!(code == Some(0) && said.contains("2 things: put"), "{said}");
    assert!(run(&["where", "8"], &[]).1.contains("Drawer 7, put there"), "{}", run(&["where", "8"], &[]).1);

    let labels = std::fs::read(&pdf).unwrap();
    drop(labels);
    run(&["labels", "--containers", "Box 3", "--to"], &[&pdf]);
    let Some(label) = rendered(&std::fs::read(&pdf).unwrap(), 0, 150) else { return };
    let (rules, px) = (LabelRules::load(None).unwrap(), |mm: f32| (mm * 150.0 / 25.4).round() as u32);
    let label = crop_imm(
        &label,
        px(rules.sheet.margin),
        px(rules.sheet.margin),
        px(rules.container.width),
        px(rules.container.height),
    )
    .to_image();
    // Eight envelopes' corners with their codes, two rows of four, and one of a
    // lot that is not settled.
    let mut photo = GrayImage::from_pixel(1900, 1300, Luma([140]));
    replace(&mut photo, &label, 700, 30);
    for (n, (_, sheet, area)) in papers.places.iter().enumerate() {
        let page = (sheet + 1).to_string();
        let file = place.path().join("e.pdf");
        std::fs::write(&file, &papers.pdf).unwrap();
        let done = Command::new("pdftoppm")
            .args(["-r", "150", "-gray", "-png", "-singlefile", "-f", &page, "-l", &page])
            .arg(&file)
            .arg(place.path().join("e"))
            .status();
        assert!(done.unwrap().success());
        let sheet = image::open(place.path().join("e.png")).unwrap().into_luma8();
        let (x, y, ..) = *area;
        let corner = part(&sheet, 150, (x + 22.5, y + 0.5, 55.0, 45.0));
        replace(&mut photo, &corner, 60 + (n % 5) as i64 * 350, 300 + (n / 5) as i64 * 400);
    }
    let file = place.path().join("box.png");
    photo.save(&file).unwrap();
    let (code, said) = run(&["put", "--photo"], &[&file]);
    assert!(said.contains("box.png: 8 things put into Box 3"), "{said}");
    assert!(
        code == Some(3) && said.contains("E-00009") && said.contains("is not in this catalogue"),
        "{said}"
    );
    let (_, at) = run(&["where", "3"], &[]);
    assert!(at.contains("Box 3, in Drawer 7"), "{at}");
    let (_, said) = run(&["put", "--photo"], &[&file]);
    assert!(said.contains("8 things already in Box 3"), "{said}");
    // A photograph without a container's code says what to do.
    let bare = place.path().join("bare.png");
    crop_imm(&photo, 0, 300, 400, 400).to_image().save(&bare).unwrap();
    let (code, said) = run(&["put", "--photo"], &[&bare]);
    assert!(code == Some(1) && said.contains("bare.png: shows no code of a container"), "{said}");
    let (code, said) = run(&["put", "--in", "Cooler", "--photo"], &[&bare]);
    assert!(code == Some(0) && said.contains("1 thing put into Cooler"), "{said}");
}
