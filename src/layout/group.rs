//! Groups lines into the labels they stand on, in reading order.
//!
//! Two lines belong together when they run in the same direction and the same way
//! up, stand close (in line heights), lie on paper of the same colour, and no edge
//! of paper runs between them. A printed rule between two lines is not an edge: the
//! paper is the same on both sides of it.

use super::finder::{FoundLine, surely};
use super::{Label, LayoutRules};
use crate::geometry::{Point, Quad};
use image::RgbImage;

/// Lines turn by at most this much within one label, in degrees: hand-written
/// lines wander, labels on one pin are often turned against each other more.
const SAME_DIRECTION: f32 = 14.0;

/// A line with what grouping needs to know of it.
struct Standing {
    quad: Quad,
    /// The colour of the paper under it.
    paper: [f32; 3],
}

/// The labels of a picture from its lines: top to bottom, then left to right.
pub fn group(lines: &[FoundLine], picture: &RgbImage, rules: &LayoutRules) -> Vec<Label> {
    let standing: Vec<Standing> =
        lines.iter().map(|l| Standing { quad: l.quad, paper: paper(picture, &l.quad) }).collect();
    let mut parent: Vec<usize> = (0..standing.len()).collect();
    // Which way up the lines under each root stand: one in doubt joins no two labels.
    let mut way: Vec<Option<bool>> = lines.iter().map(FoundLine::surely_upside_down).collect();
    for i in 0..standing.len() {
        for j in i + 1..standing.len() {
            let (a, b) = (root(&parent, i), root(&parent, j));
            let agree = way[a].zip(way[b]).is_none_or(|(a, b)| a == b);
            if a != b && agree && together(&standing[i], &standing[j], picture, rules) {
                parent[b] = a;
                way[a] = way[a].or(way[b]);
            }
        }
    }
    let mut labels: Vec<Vec<&FoundLine>> = Vec::new();
    let mut roots: Vec<usize> = Vec::new();
    for (i, line) in lines.iter().enumerate() {
        let r = root(&parent, i);
        match roots.iter().position(|&x| x == r) {
            Some(at) => labels[at].push(line),
            None => {
                roots.push(r);
                labels.push(vec![line]);
            }
        }
    }
    let mut labels: Vec<Label> = labels.into_iter().map(|lines| label(&lines, rules)).collect();
    labels.sort_by(|a, b| {
        let (a, b) = (a.quad.bounds(), b.quad.bounds());
        a.1.total_cmp(&b.1).then(a.0.total_cmp(&b.0))
    });
    labels
}

fn root(parent: &[usize], mut i: usize) -> usize {
    while parent[i] != i {
        i = parent[i];
    }
    i
}

/// One label of `found`: columns from left to right, in each the rows from top to
/// bottom, pieces of a row from left to right and joined where they stand close.
/// Where most of its writing stands upside down, so does the label.
fn label(found: &[&FoundLine], rules: &LayoutRules) -> Label {
    let turned = weighed(found, |l| l.upside_down);
    let upside_down = turned > 0.5;
    let quads: Vec<Quad> = found.iter().map(|l| if upside_down { l.quad.turned() } else { l.quad }).collect();
    let widest = quads.iter().max_by(|a, b| a.width().total_cmp(&b.width())).expect("a label has lines");
    let angle = widest.angle();
    let (along, across) = (Point::new(angle.cos(), angle.sin()), Point::new(-angle.sin(), angle.cos()));
    let dot = |p: Point, q: Point| p.x * q.x + p.y * q.y;
    let (mut lines, mut signs) = (Vec::new(), Vec::new());
    for column in columns(quads, along, across, rules) {
        let (more, lone) = column_lines(&column, along, across, rules);
        signs.extend(lone.into_iter().map(|(i, sign)| (lines.len() + i, sign)));
        lines.extend(more);
    }
    let hand = lines
        .iter()
        .map(|line| {
            let inside: Vec<&FoundLine> =
                found.iter().filter(|l| line.holds(l.quad.centre())).copied().collect();
            weighed(&inside, |l| l.hand)
        })
        .collect();
    let (mut l, mut t, mut r, mut b) = (f32::MAX, f32::MAX, f32::MIN, f32::MIN);
    for p in lines.iter().flat_map(|q: &Quad| q.0) {
        let (u, v) = (dot(p, along), dot(p, across));
        (l, t, r, b) = (l.min(u), t.min(v), r.max(u), b.max(v));
    }
    let corner = |u: f32, v: f32| Point::new(along.x * u + across.x * v, along.y * u + across.y * v);
    Label {
        quad: Quad([corner(l, t), corner(r, t), corner(r, b), corner(l, b)]),
        lines,
        hand,
        // Of upright lines, that run up or down, the finder knows less.
        surely_upright: surely(turned) && along.x > 0.7,
        longer: Vec::new(),
        signs,
    }
}

/// The mean of what `of` says of some lines, by their lengths; a half for none.
fn weighed(lines: &[&FoundLine], of: impl Fn(&FoundLine) -> f32) -> f32 {
    let (sum, all) = lines.iter().fold((0.0, 0.0), |(sum, all), l| {
        let width = l.quad.width().max(1e-3);
        (sum + of(l) * width, all + width)
    });
    if all > 0.0 { sum / all } else { 0.5 }
}

/// The columns of running writing in `quads`, left to right: parted where no line
/// crosses and long lines stand on both sides, row beside row, as on facing pages.
fn columns(quads: Vec<Quad>, along: Point, across: Point, rules: &LayoutRules) -> Vec<Vec<Quad>> {
    let dot = |p: Point, q: Point| p.x * q.x + p.y * q.y;
    let left = |q: &Quad| dot(q.0[0], along).min(dot(q.0[3], along));
    let right = |q: &Quad| dot(q.0[1], along).max(dot(q.0[2], along));
    let long = |q: &Quad| q.width() >= rules.column_width * q.height();
    let running = |side: &[&Quad]| {
        let n = side.iter().filter(|q| long(q)).count();
        n >= rules.column_lines && 2 * n > side.len()
    };
    for edge in quads.iter().filter(|q| long(q)) {
        // Lines' ends wander: a little beyond this one's.
        let at = right(edge) + 0.5 * edge.height();
        let (before, rest): (Vec<&Quad>, Vec<&Quad>) =
            quads.iter().partition(|q| right(q) <= at + 0.5 * q.height());
        let after: Vec<&Quad> = rest.iter().copied().filter(|q| left(q) >= at - 0.5 * q.height()).collect();
        if after.len() < rest.len() || !running(&before) || !running(&after) {
            continue;
        }
        let beside = |a: &&&Quad| {
            let v = dot(a.centre(), across);
            before.iter().any(|b| long(b) && (dot(b.centre(), across) - v).abs() < b.height())
        };
        if after.iter().filter(|q| long(q)).filter(beside).count() < rules.column_lines {
            continue;
        }
        let owned = |side: Vec<&Quad>| side.into_iter().copied().collect::<Vec<Quad>>();
        let (before, after) = (owned(before), owned(after));
        let mut all = columns(before, along, across, rules);
        all.extend(columns(after, along, across, rules));
        return all;
    }
    vec![quads]
}

/// The lines of one column, and lone signs with the index of the line they stand behind.
fn column_lines(
    quads: &[Quad],
    along: Point,
    across: Point,
    rules: &LayoutRules,
) -> (Vec<Quad>, Vec<(usize, Quad)>) {
    let dot = |p: Point, q: Point| p.x * q.x + p.y * q.y;
    let mut pieces: Vec<(f32, f32, Quad)> =
        quads.iter().map(|q| (dot(q.centre(), across), dot(q.0[0], along), *q)).collect();
    pieces.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut rows: Vec<Vec<(f32, f32, Quad)>> = Vec::new();
    for piece in pieces {
        match rows.last_mut() {
            Some(row) if same_row(row, &piece, along) => row.push(piece),
            _ => rows.push(vec![piece]),
        }
    }
    let (mut lines, mut signs) = (Vec::new(), Vec::new());
    for mut row in rows {
        row.sort_by(|a, b| a.1.total_cmp(&b.1));
        let mut row = row.into_iter().map(|(_, _, q)| q).peekable();
        let mut open = row.next().expect("a row has a piece");
        while let Some(next) = row.next() {
            let gap = dot(next.0[0], along) - dot(open.0[1], along);
            let height = (open.height() + next.height()) / 2.0;
            let alike = open.height().max(next.height()) < 1.8 * open.height().min(next.height());
            let lone = next.width() < 1.5 * next.height() && open.width() > 2.0 * open.height();
            if alike
                && lone
                && row.peek().is_none()
                && gap > 0.5 * height
                && gap < 1.5 * rules.join_gap * height
            {
                signs.push((lines.len(), next));
            } else if alike && gap < rules.join_gap * height {
                open = joined(&open, &next);
            } else {
                lines.push(open);
                open = next;
            }
        }
        lines.push(open);
    }
    (lines, signs)
}

/// Whether a piece stands on the row: its middle lies within the row's height,
/// and it does not stand above or below one of the row's pieces.
fn same_row(row: &[(f32, f32, Quad)], piece: &(f32, f32, Quad), along: Point) -> bool {
    let dot = |p: Point| p.x * along.x + p.y * along.y;
    let reach = |q: &Quad| (dot(q.0[0]).min(dot(q.0[3])), dot(q.0[1]).max(dot(q.0[2])));
    let (l, r) = reach(&piece.2);
    row.iter().all(|other| {
        let (ol, or) = reach(&other.2);
        let overlap = r.min(or) - l.max(ol);
        overlap < 0.3 * (r - l).min(or - ol)
    }) && {
        let nearest = row.iter().min_by(|a, b| {
            let d = |q: &Quad| (q.centre().x - piece.2.centre().x).hypot(q.centre().y - piece.2.centre().y);
            d(&a.2).total_cmp(&d(&b.2))
        });
        nearest.is_some_and(|n| {
            let height = n.2.height().min(piece.2.height());
            // Slanted lines drift; measure in the nearer piece's own frame.
            let angle = n.2.angle();
            let (dx, dy) = (piece.2.centre().x - n.2.centre().x, piece.2.centre().y - n.2.centre().y);
            (dy * angle.cos() - dx * angle.sin()).abs() < 0.5 * height
        })
    }
}

/// One quad over two pieces of a row, the first to the left of the second.
fn joined(a: &Quad, b: &Quad) -> Quad {
    let angle = (b.centre().y - a.centre().y).atan2(b.centre().x - a.centre().x);
    let (along, across) = (Point::new(angle.cos(), angle.sin()), Point::new(-angle.sin(), angle.cos()));
    let dot = |p: Point, q: Point| p.x * q.x + p.y * q.y;
    let (mut l, mut t, mut r, mut bot) = (f32::MAX, f32::MAX, f32::MIN, f32::MIN);
    for p in a.0.iter().chain(&b.0) {
        let (u, v) = (dot(*p, along), dot(*p, across));
        (l, t, r, bot) = (l.min(u), t.min(v), r.max(u), bot.max(v));
    }
    let corner = |u: f32, v: f32| Point::new(along.x * u + across.x * v, along.y * u + across.y * v);
    Quad([corner(l, t), corner(r, t), corner(r, bot), corner(l, bot)])
}

fn together(a: &Standing, b: &Standing, picture: &RgbImage, rules: &LayoutRules) -> bool {
    let turn = (a.quad.angle() - b.quad.angle()).to_degrees().rem_euclid(180.0);
    if turn.min(180.0 - turn) > SAME_DIRECTION {
        return false;
    }
    let (ha, hb) = (a.quad.height(), b.quad.height());
    let height = ha.min(hb);
    if ha.max(hb) > 3.0 * height {
        return false;
    }
    // Look at b in the frame of the longer line.
    let (base, other) =
        if a.quad.width() >= b.quad.width() { (&a.quad, &b.quad) } else { (&b.quad, &a.quad) };
    let angle = base.angle();
    let (along, across) = (Point::new(angle.cos(), angle.sin()), Point::new(-angle.sin(), angle.cos()));
    let span = |q: &Quad, axis: Point| {
        q.0.iter()
            .map(|p| p.x * axis.x + p.y * axis.y)
            .fold((f32::MAX, f32::MIN), |(l, h), v| (l.min(v), h.max(v)))
    };
    let (bl, br) = span(base, along);
    let (ol, or) = span(other, along);
    let (bt, bb) = span(base, across);
    let (ot, ob) = span(other, across);
    let beside = bl.max(ol) - br.min(or);
    let above = bt.max(ot) - bb.min(ob);
    let near = if beside < 0.0 {
        above < rules.label_gap * height
    } else {
        above < -0.4 * height && beside < rules.join_gap * height
    };
    if !near {
        return false;
    }
    if difference(&a.paper, &b.paper) > rules.paper_change {
        return false;
    }
    let touching = if beside < 0.0 { above < 0.1 * height } else { beside < 0.1 * height };
    if touching {
        return true;
    }
    // The bundle of parallel samples between the two facing edges.
    let corner = |u: f32, v: f32| Point::new(along.x * u + across.x * v, along.y * u + across.y * v);
    let gap = if beside < 0.0 {
        let (l, r) = (bl.max(ol), br.min(or));
        let (top, bottom) = if bt < ot { (bb.min(ot), bb.max(ot)) } else { (ob.min(bt), ob.max(bt)) };
        Quad([corner(l, top), corner(r, top), corner(r, bottom), corner(l, bottom)])
    } else {
        let (t, b) = (bt.max(ot), bb.min(ob));
        let (left, right) = if bl < ol { (br.min(ol), br.max(ol)) } else { (or.min(bl), or.max(bl)) };
        Quad([corner(left, t), corner(left, b), corner(right, b), corner(right, t)])
    };
    !edge_between(picture, &gap, &a.paper, &b.paper, rules)
}

/// Whether an edge of paper runs through `gap` (its width along the lines, its
/// height from one line to the other): a row much darker than the paper that is
/// no thin rule, or a stretch of another colour than either paper's, the ground
/// that shows between two labels.
fn edge_between(
    picture: &RgbImage,
    gap: &Quad,
    one: &[f32; 3],
    other: &[f32; 3],
    rules: &LayoutRules,
) -> bool {
    const COLUMNS: usize = 33;
    let rows = (gap.height().ceil() as usize).clamp(3, 64);
    let [a, b, c, d] = gap.0;
    let paper = lightness(*one).min(lightness(*other));
    let (mut dark, mut ground) = (Vec::with_capacity(rows), Vec::with_capacity(rows));
    for row in 0..rows {
        let v = (row as f32 + 0.5) / rows as f32;
        let (left, right) = (a.towards(d, v), b.towards(c, v));
        let mut values: Vec<[f32; 3]> = (0..COLUMNS)
            .filter_map(|i| pixel(picture, left.towards(right, (i as f32 + 0.5) / COLUMNS as f32)))
            .collect();
        if values.is_empty() {
            continue;
        }
        // The upper quartile: descenders and ascenders reach into the gap.
        values.sort_by(|a, b| lightness(*a).total_cmp(&lightness(*b)));
        let quartile = values[values.len() * 3 / 4];
        dark.push(paper - lightness(quartile) > rules.edge_drop);
        let median: [f32; 3] = std::array::from_fn(|channel| {
            let mut one: Vec<f32> = values.iter().map(|v| v[channel]).collect();
            one.sort_by(f32::total_cmp);
            one[one.len() / 2]
        });
        ground.push(difference(&median, one).min(difference(&median, other)) > rules.ground_change);
    }
    let run = |rows: &[bool]| rows.split(|d| !d).map(<[bool]>::len).max().unwrap_or(0);
    run(&dark) > (rows / 6).max(3) || run(&ground) > (rows / 3).max(3)
}

/// The largest difference of two colours in any channel.
pub(super) fn difference(a: &[f32; 3], b: &[f32; 3]) -> f32 {
    (0..3).map(|c| (a[c] - b[c]).abs()).fold(0.0, f32::max)
}

/// The colour of the paper under a line: per channel the median of the lighter
/// half of its pixels.
pub(super) fn paper(picture: &RgbImage, quad: &Quad) -> [f32; 3] {
    const COLUMNS: usize = 48;
    const ROWS: usize = 10;
    let [a, b, c, d] = quad.0;
    let mut values: Vec<[f32; 3]> = Vec::with_capacity(COLUMNS * ROWS);
    for row in 0..ROWS {
        let v = (row as f32 + 0.5) / ROWS as f32;
        let (left, right) = (a.towards(d, v), b.towards(c, v));
        for column in 0..COLUMNS {
            values.extend(pixel(picture, left.towards(right, (column as f32 + 0.5) / COLUMNS as f32)));
        }
    }
    if values.is_empty() {
        return [255.0; 3];
    }
    values.sort_by(|a, b| lightness(*b).total_cmp(&lightness(*a)));
    let lighter = &values[..values.len().div_ceil(2)];
    std::array::from_fn(|channel| {
        let mut one: Vec<f32> = lighter.iter().map(|v| v[channel]).collect();
        one.sort_by(f32::total_cmp);
        one[one.len() / 2]
    })
}

/// The colour of the pixel at `p`; `None` outside the picture.
pub(super) fn pixel(picture: &RgbImage, p: Point) -> Option<[f32; 3]> {
    let (x, y) = (p.x.floor(), p.y.floor());
    (x >= 0.0 && y >= 0.0 && x < picture.width() as f32 && y < picture.height() as f32)
        .then(|| picture.get_pixel(x as u32, y as u32).0.map(f32::from))
}

/// Rec. 601 luma of an RGB colour, 0 to 255.
pub(super) fn lightness(rgb: [f32; 3]) -> f32 {
    0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(l: f32, t: f32, r: f32, b: f32) -> FoundLine {
        FoundLine::at(Quad::upright(l, t, r, b), 1.0)
    }

    fn paper_with(papers: &[(u32, u32, u32, u32, u8)], ground: u8) -> RgbImage {
        let mut picture = RgbImage::from_pixel(400, 300, image::Rgb([ground; 3]));
        for &(l, t, r, b, tone) in papers {
            for y in t..b {
                for x in l..r {
                    picture.put_pixel(x, y, image::Rgb([tone; 3]));
                }
            }
        }
        picture
    }

    #[test]
    fn two_labels_on_dark_ground_are_apart_and_lines_of_one_are_together() {
        let picture = paper_with(&[(40, 20, 260, 90, 240), (40, 110, 260, 180, 240)], 90);
        let lines =
            [line(50.0, 120.0, 250.0, 140.0), line(50.0, 30.0, 250.0, 50.0), line(50.0, 60.0, 200.0, 80.0)];
        let labels = group(&lines, &picture, &LayoutRules::built_in());
        let heights: Vec<Vec<f32>> =
            labels.iter().map(|l| l.lines.iter().map(|q| q.0[0].y).collect()).collect();
        assert_eq!(heights, [vec![30.0, 60.0], vec![120.0]]);
    }

    #[test]
    fn labels_of_different_paper_are_apart_even_when_they_touch() {
        let picture = paper_with(&[(40, 20, 260, 56, 240), (40, 56, 260, 100, 190)], 255);
        let lines = [line(50.0, 30.0, 250.0, 50.0), line(50.0, 60.0, 250.0, 80.0)];
        assert_eq!(group(&lines, &picture, &LayoutRules::built_in()).len(), 2);
    }

    #[test]
    fn ground_of_another_colour_between_two_labels_parts_them() {
        let mut picture = paper_with(&[(40, 20, 260, 56, 240), (40, 72, 260, 110, 240)], 240);
        for y in 56..72 {
            for x in 0..400 {
                picture.put_pixel(x, y, image::Rgb([225, 228, 250]));
            }
        }
        for y in (20..56).chain(72..110) {
            for x in 40..260 {
                picture.put_pixel(x, y, image::Rgb([240, 236, 215]));
            }
        }
        let lines = [line(50.0, 30.0, 250.0, 50.0), line(50.0, 78.0, 250.0, 98.0)];
        assert_eq!(group(&lines, &picture, &LayoutRules::built_in()).len(), 2);
    }

    #[test]
    fn a_printed_rule_does_not_part_a_label() {
        let picture = paper_with(&[(40, 54, 260, 56, 40)], 240);
        let lines = [line(50.0, 30.0, 250.0, 50.0), line(50.0, 60.0, 250.0, 80.0)];
        assert_eq!(group(&lines, &picture, &LayoutRules::built_in()).len(), 1);
    }

    #[test]
    fn pieces_of_a_row_are_joined_and_read_from_left_to_right() {
        let picture = paper_with(&[], 240);
        let lines =
            [line(150.0, 31.0, 250.0, 51.0), line(50.0, 30.0, 120.0, 50.0), line(50.0, 60.0, 250.0, 80.0)];
        let labels = group(&lines, &picture, &LayoutRules::built_in());
        assert_eq!(labels.len(), 1);
        assert_eq!(labels[0].lines.len(), 2);
        assert!((labels[0].lines[0].width() - 200.0).abs() < 2.0);
    }

    #[test]
    fn a_label_upside_down_is_turned_and_says_what_is_by_hand() {
        let picture = paper_with(&[(0, 0, 300, 120, 235)], 60);
        // From the reader's side: print above, a date by hand below, in two pieces.
        let found =
            |quad: Quad, hand: f32, upside_down: f32| FoundLine { quad, score: 1.0, hand, upside_down };
        let lines = [
            found(Quad::upright(20.0, 20.0, 80.0, 40.0), 0.9, 0.4),
            found(Quad::upright(100.0, 20.0, 280.0, 40.0), 0.8, 0.95),
            found(Quad::upright(20.0, 60.0, 280.0, 80.0), 0.1, 0.9),
        ];
        let labels = group(&lines, &picture, &LayoutRules::built_in());
        assert_eq!(labels.len(), 1);
        let label = &labels[0];
        assert_eq!(label.lines.len(), 2);
        for quad in label.lines.iter().chain([&label.quad]) {
            assert!((quad.angle().to_degrees().abs() - 180.0).abs() < 1.0, "{quad:?}");
        }
        assert!(label.lines[0].centre().y > label.lines[1].centre().y);
        // By their lengths: (0.9 * 60 + 0.8 * 180) / 240.
        let want = [0.1, 0.825];
        assert!(label.hand.iter().zip(want).all(|(a, b)| (a - b).abs() < 1e-3), "{:?}", label.hand);
    }

    #[test]
    fn facing_pages_are_read_one_after_the_other_and_a_forms_rows_across() {
        let picture = paper_with(&[], 240);
        let row = |i: usize| 20.0 + 30.0 * i as f32;
        let mut lines = Vec::new();
        for i in 0..6 {
            // The white between is less than two heights, and ends wander.
            let wander = [0.0, 6.0, -9.0, 3.0, -2.0, 5.0][i];
            lines.push(line(20.0, row(i), 185.0 + wander, row(i) + 20.0));
            lines.push(line(215.0 + wander / 2.0, row(i) + 4.0, 390.0, row(i) + 24.0));
        }
        let labels = group(&lines, &picture, &LayoutRules::built_in());
        let starts: Vec<f32> = labels.iter().flat_map(|l| l.lines.iter().map(|q| q.0[0].x)).collect();
        assert_eq!(starts.len(), 12);
        assert!(
            starts[..6].iter().all(|&x| x < 30.0) && starts[6..].iter().all(|&x| x > 200.0),
            "{starts:?}"
        );

        // Words before what was filled in are short: each row stays one line.
        let form: Vec<FoundLine> = (0..6)
            .flat_map(|i| {
                [line(20.0, row(i), 90.0, row(i) + 20.0), line(120.0, row(i), 380.0, row(i) + 20.0)]
            })
            .collect();
        let labels = group(&form, &picture, &LayoutRules::built_in());
        assert_eq!(labels.iter().map(|l| l.lines.len()).sum::<usize>(), 6);
    }
}
