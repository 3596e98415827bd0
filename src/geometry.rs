//! Points and four-cornered shapes in the coordinates of the upright photograph.
//!
//! Unit: pixels of the photograph after EXIF orientation, origin at its top
//! left, x to the right, y down. Every box that leaves a room is in these
//! coordinates, whatever scaling or turning happened inside the room, so that
//! the review page can point at the words.

use serde::{Deserialize, Serialize};

/// A point of the photograph, in pixels.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// Pixels from the left edge.
    pub x: f32,
    /// Pixels from the top edge.
    pub y: f32,
}

impl Point {
    /// The point (`x`, `y`).
    pub fn new(x: f32, y: f32) -> Self {
        Point { x, y }
    }

    /// The distance to `other`, in pixels.
    pub fn distance(self, other: Point) -> f32 {
        (self.x - other.x).hypot(self.y - other.y)
    }

    /// The point a share `t` (0 to 1) of the way to `other`.
    pub fn towards(self, other: Point, t: f32) -> Point {
        Point::new(self.x + (other.x - self.x) * t, self.y + (other.y - self.y) * t)
    }
}

/// Four corners in the order of the *text*: top left, top right, bottom right,
/// bottom left as a reader of the words would name them. The quad of a label
/// photographed upside down therefore starts at the photograph's lower right.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Quad(pub [Point; 4]);

impl Quad {
    /// An upright rectangle from its left, top, right and bottom edges.
    pub fn upright(left: f32, top: f32, right: f32, bottom: f32) -> Self {
        Quad([
            Point::new(left, top),
            Point::new(right, top),
            Point::new(right, bottom),
            Point::new(left, bottom),
        ])
    }

    /// Length along the text: the mean of the upper and lower edge, in pixels.
    pub fn width(&self) -> f32 {
        let [a, b, c, d] = self.0;
        (a.distance(b) + d.distance(c)) / 2.0
    }

    /// Length across the text: the mean of the left and right edge, in pixels.
    pub fn height(&self) -> f32 {
        let [a, b, c, d] = self.0;
        (a.distance(d) + b.distance(c)) / 2.0
    }

    /// The direction of the text, in radians: 0 runs to the right, positive
    /// turns clockwise as seen on the photograph (y points down).
    pub fn angle(&self) -> f32 {
        let [a, b, c, d] = self.0;
        ((b.y - a.y) + (c.y - d.y)).atan2((b.x - a.x) + (c.x - d.x))
    }

    /// The mean of the corners.
    pub fn centre(&self) -> Point {
        let (x, y) = self.0.iter().fold((0.0, 0.0), |(x, y), p| (x + p.x, y + p.y));
        Point::new(x / 4.0, y / 4.0)
    }

    /// Left, top, right and bottom of the smallest upright rectangle around it.
    pub fn bounds(&self) -> (f32, f32, f32, f32) {
        self.0
            .iter()
            .fold((f32::INFINITY, f32::INFINITY, f32::NEG_INFINITY, f32::NEG_INFINITY), |(l, t, r, b), p| {
                (l.min(p.x), t.min(p.y), r.max(p.x), b.max(p.y))
            })
    }

    /// The part of the quad between two shares (0 to 1) of its width, for the
    /// box of some characters of a line.
    pub fn slice(&self, from: f32, to: f32) -> Quad {
        let [a, b, c, d] = self.0;
        Quad([a.towards(b, from), a.towards(b, to), d.towards(c, to), d.towards(c, from)])
    }

    /// The same shape read in the opposite direction (turned by 180°).
    pub fn turned(&self) -> Quad {
        let [a, b, c, d] = self.0;
        Quad([c, d, a, b])
    }

    /// Every corner multiplied by `factor`.
    pub fn scaled(&self, factor: f32) -> Quad {
        Quad(self.0.map(|p| Point::new(p.x * factor, p.y * factor)))
    }

    /// The quad with its ends moved outwards by `along` and its long sides by
    /// `across`. One of no length runs to the right.
    pub fn with_room(&self, along: f32, across: f32) -> Quad {
        let [a, b, c, d] = self.0;
        let unit = |p: Point, q: Point| {
            let n = p.distance(q);
            Point::new((q.x - p.x) / n, (q.y - p.y) / n)
        };
        let right = if a.distance(b) > 0.01 { unit(a, b) } else { Point::new(1.0, 0.0) };
        let down = if a.distance(d) > 0.01 { unit(a, d) } else { Point::new(-right.y, right.x) };
        let moved = |p: Point, u: f32, v: f32| {
            let (u, v) = (u * along, v * across);
            Point::new(p.x + u * right.x + v * down.x, p.y + u * right.y + v * down.y)
        };
        Quad([moved(a, -1.0, -1.0), moved(b, 1.0, -1.0), moved(c, 1.0, 1.0), moved(d, -1.0, 1.0)])
    }

    /// How far `p` lies along the upper and the left side, as shares of them: 0 to
    /// 1 inside the quad.
    pub fn shares(&self, p: Point) -> (f32, f32) {
        let [a, b, _, d] = self.0;
        let share = |to: Point| {
            let (ux, uy) = (to.x - a.x, to.y - a.y);
            ((p.x - a.x) * ux + (p.y - a.y) * uy) / (ux * ux + uy * uy)
        };
        (share(b), share(d))
    }

    /// Whether `p` lies in the quad.
    pub fn holds(&self, p: Point) -> bool {
        let (along, down) = self.shares(p);
        (0.0..=1.0).contains(&along) && (0.0..=1.0).contains(&down)
    }

    /// The smallest upright rectangle around all of `quads`; `None` for none.
    pub fn around<'a>(quads: impl IntoIterator<Item = &'a Quad>) -> Option<Quad> {
        quads
            .into_iter()
            .map(Quad::bounds)
            .reduce(|a, b| (a.0.min(b.0), a.1.min(b.1), a.2.max(b.2), a.3.max(b.3)))
            .map(|(l, t, r, b)| Quad::upright(l, t, r, b))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_upright_rectangle_runs_to_the_right() {
        let quad = Quad::upright(10.0, 20.0, 110.0, 50.0);
        assert_eq!((quad.width(), quad.height(), quad.angle()), (100.0, 30.0, 0.0));
        assert_eq!(quad.slice(0.5, 1.0), Quad::upright(60.0, 20.0, 110.0, 50.0));
        assert_eq!(quad.with_room(5.0, 2.0), Quad::upright(5.0, 18.0, 115.0, 52.0));
        assert!(quad.holds(quad.centre()) && !quad.holds(Point::new(60.0, 51.0)));
        assert!(quad.turned().holds(Point::new(109.0, 21.0)) && !quad.holds(Point::new(9.0, 30.0)));
    }

    #[test]
    fn turning_reverses_the_direction_and_keeps_the_shape() {
        let quad = Quad::upright(0.0, 0.0, 40.0, 10.0).turned();
        assert!((quad.angle().abs() - std::f32::consts::PI).abs() < 1e-6);
        assert_eq!(quad.bounds(), (0.0, 0.0, 40.0, 10.0));
    }
}
