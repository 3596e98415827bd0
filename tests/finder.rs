//! The line finder that ships, on the sample photographs: which way labels stand,
//! and what is by hand. The samples are painted (`samples-demo/generator`), so
//! what stands where is known; how real photographs fare is in `models/finder/CARD.md`.

use glassine::intake::{IntakeRules, open};
use glassine::layout::{LayoutRules, NeuralFinder, Page, look};
use glassine::runtime::models_folder;
use image::RgbImage;
use std::path::Path;

fn finder() -> Option<NeuralFinder> {
    let models = models_folder().ok().filter(|m| m.join("finder").join("finder.onnx").exists());
    if models.is_none() {
        eprintln!("skipped: the models are not there; run `make setup`");
    }
    Some(NeuralFinder::load(&models?, 1, LayoutRules::built_in()).unwrap())
}

fn sample(name: &str) -> RgbImage {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples-demo/photos").join(name);
    open(&path, &IntakeRules::load(None).unwrap()).next().unwrap().unwrap().pixels
}

fn page(picture: &RgbImage, finder: &mut NeuralFinder) -> Page {
    look(picture, finder, &LayoutRules::built_in()).unwrap()
}

/// The lines of every label that runs from right to left, seen as the photograph stands.
fn upside_down(page: &Page) -> Vec<usize> {
    page.labels.iter().filter(|l| l.quad.angle().cos() < 0.0).map(|l| l.lines.len()).collect()
}

#[test]
fn a_label_the_wrong_way_round_between_two_others_is_one_of_its_own_and_turned() {
    let Some(mut finder) = finder() else { return };
    let page = page(&sample("tarn-14-pin-one-upside-down.jpg"), &mut finder);
    assert_eq!(upside_down(&page), [2], "{page:#?}");
    assert!(page.labels.iter().filter(|l| l.lines.len() == 3).count() >= 2, "{page:#?}");
}

#[test]
fn a_photograph_held_the_wrong_way_round_has_its_labels_turned() {
    let Some(mut finder) = finder() else { return };
    for name in ["tarn-04-pocket-typed-slip.jpg", "tarn-12-pin-printed.jpg", "tarn-26-notebook.jpg"] {
        let picture = sample(name);
        let upright = page(&picture, &mut finder);
        let turned = page(&image::imageops::rotate180(&picture), &mut finder);
        assert_eq!(upside_down(&upright).len(), 0, "{name}");
        assert_eq!(upside_down(&turned).len(), turned.labels.len(), "{name}");
        let lines = |page: &Page| page.labels.iter().map(|l| l.lines.len()).sum::<usize>();
        assert!(lines(&upright).abs_diff(lines(&turned)) <= 1, "{name}");
    }
}

#[test]
fn print_and_hands_are_told_apart() {
    let Some(mut finder) = finder() else { return };
    let hands = |name: &str, finder: &mut NeuralFinder| -> Vec<f32> {
        let page = page(&sample(name), finder);
        page.labels.iter().flat_map(|l| l.hand.clone()).collect()
    };
    let mean = |all: &[f32]| all.iter().sum::<f32>() / all.len() as f32;
    for (name, by_hand) in [
        ("tarn-12-pin-printed.jpg", false),
        ("tarn-04-pocket-typed-slip.jpg", false),
        ("tarn-13-pin-old-hand.jpg", true),
        ("tarn-26-notebook.jpg", true),
    ] {
        let all = hands(name, &mut finder);
        assert_eq!(mean(&all) > 0.5, by_hand, "{name}: {all:?}");
    }
}
