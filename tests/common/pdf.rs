//! PDF files by hand (ISO 32000-1, 7.5 and 8.9), for tests that need one of a
//! known shape.

/// A PDF of these objects, the first of which is its catalogue.
pub fn of(objects: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = b"%PDF-1.4\n".to_vec();
    let mut places = Vec::new();
    for (n, body) in objects.iter().enumerate() {
        places.push(bytes.len());
        bytes.extend(format!("{} 0 obj\n", n + 1).bytes());
        bytes.extend(body);
        bytes.extend(b"\nendobj\n");
    }
    let start = bytes.len();
    let size = places.len() + 1;
    bytes.extend(format!("xref\n0 {size}\n0000000000 65535 f \n").bytes());
    for place in &places {
        bytes.extend(format!("{place:010} 00000 n \n").bytes());
    }
    bytes.extend(format!("trailer<</Size {size}/Root 1 0 R>>\nstartxref\n{start}\n%%EOF\n").bytes());
    bytes
}

/// A stream object: its dictionary's entries but the length, and its content.
pub fn stream(dictionary: &str, content: &[u8]) -> Vec<u8> {
    let head = format!("<<{dictionary}/Length {}>>stream\n", content.len());
    [head.as_bytes(), content, b"\nendstream"].concat()
}

/// A scanned PDF: JPEG pictures of the given sizes in pixels, a page each, filling
/// it at `dpi` dots an inch.
pub fn scanned(pictures: &[(Vec<u8>, (u32, u32))], dpi: f32) -> Vec<u8> {
    let kids: String = (0..pictures.len()).map(|i| format!("{} 0 R ", 3 + 3 * i)).collect();
    let mut objects = vec![
        b"<</Type/Catalog/Pages 2 0 R>>".to_vec(),
        format!("<</Type/Pages/Kids[{kids}]/Count {}>>", pictures.len()).into_bytes(),
    ];
    for (jpeg, (width, height)) in pictures {
        let (w, h) = (*width as f32 * 72.0 / dpi, *height as f32 * 72.0 / dpi);
        let content = objects.len() + 2;
        let page = format!(
            "<</Type/Page/Parent 2 0 R/MediaBox[0 0 {w} {h}]/Contents {content} 0 R\
             /Resources<</XObject<</I {} 0 R>>>>>>",
            content + 1
        );
        objects.push(page.into_bytes());
        objects.push(stream("", format!("q {w} 0 0 {h} 0 0 cm /I Do").as_bytes()));
        let picture = format!(
            "/Type/XObject/Subtype/Image/Width {width}/Height {height}/ColorSpace/DeviceRGB\
             /BitsPerComponent 8/Filter/DCTDecode"
        );
        objects.push(stream(&picture, jpeg));
    }
    of(&objects)
}
