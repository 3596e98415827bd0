use glassine::parsing::{dates, coordinates, elevation};
#[test]
fn gold() {
    let rules = dates::DateRules::built_in().with_order(dates::Order::MonthFirst);
    for set in ["pins-dev", "packets-dev"] {
        let text = std::fs::read_to_string(format!("../shared/eval/{set}/gold.jsonl")).unwrap();
        let (mut n, mut v, mut t, mut el, mut elt, mut co, mut cot) = (0, 0, 0, 0, 0, 0, 0);
        for line in text.lines() {
            let g: serde_json::Value = serde_json::from_str(line).unwrap();
            let f = &g["fields"];
            let body = g["text"].as_str().unwrap();
            let all = dates::find(body, &rules);
            if let Some(want) = f["eventDate"].as_str() {
                n += 1;
                let verb = f["verbatimEventDate"].as_str().unwrap_or("");
                let one = dates::find(verb, &rules);
                if one.len() == 1 && one[0].best().is_some_and(|b| b.iso == want) { v += 1 } else { println!("VERB {verb:?} want {want} got {:?}", one.iter().map(|r| (r.verbatim.clone(), r.best().map(|b| b.iso.clone()))).collect::<Vec<_>>()); }
                if all.iter().any(|r| r.best().is_some_and(|b| b.iso == want)) { t += 1 } else { println!("TEXT {verb:?} want {want} got {:?}", all.iter().map(|r| (r.verbatim.clone(), r.best().map(|b| b.iso.clone()))).collect::<Vec<_>>()); }
            }
            for r in &all { if r.shape == dates::DateShape::NoYear || (r.shape == dates::DateShape::Year && f["dateIdentified"].as_str().is_none()) || r.repairs > 0.0 { println!("odd {:?} {:?} {:?} {}", r.shape, r.verbatim, r.best().map(|b| (&b.iso, b.confidence)), r.repairs); } }
            let es = elevation::find(body);
            if let Some(want) = f["minimumElevationInMeters"].as_f64() { elt += 1; if es.iter().any(|e| (e.minimum - want).abs() <= 1.0f64.max(0.005 * want)) { el += 1 } else { println!("ELEV {:?} {want} {es:?}", f["verbatimElevation"]) } if es.len() > 1 { println!("elev many {:?}", es.iter().map(|e| &e.verbatim).collect::<Vec<_>>()) } }
            else if !es.is_empty() { println!("elev extra {:?}", es.iter().map(|e| &e.verbatim).collect::<Vec<_>>()) }
            let cs = coordinates::find(body);
            if let Some(want) = f["decimalLatitude"].as_f64() { cot += 1; let lon = f["decimalLongitude"].as_f64().unwrap_or(0.0); if cs.iter().any(|e| e.latitude.is_some_and(|l| (l - want).abs() < 0.002) && e.longitude.is_some_and(|l| (l - lon).abs() < 0.002)) { co += 1 } else { println!("COORD {:?} {want} {lon} {cs:?}", f["verbatimCoordinates"]) } }
            else if !cs.is_empty() { println!("coord extra {:?} {:?}", f["verbatimCoordinates"], cs.iter().map(|e| (&e.verbatim, &e.problem, e.latitude)).collect::<Vec<_>>()) }
        }
        println!("{set}: dates {n} verbatim {v} in text {t}; elev {el}/{elt}; coords {co}/{cot}");
    }
}
