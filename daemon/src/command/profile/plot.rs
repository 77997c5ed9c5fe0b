//! The evaluation drawn as a sheet: trace with its mean line, roughness with its sections, material ratio and heights. In
//! black, with lines told apart by weight and dashes.

use std::fmt::Write as _;
use std::path::Path;

use ridgepost_texture::{Evaluation, Trace};

/// Size of the sheet.
const WIDTH: f64 = 1000.0;
const HEIGHT: f64 = 720.0;
/// Columns that a long trace is drawn in: each as its lowest and highest height, so that no spike is lost.
const COLUMNS: usize = 900;
/// Classes of the distribution of heights.
const CLASSES: usize = 40;

/// A field of the sheet, and the numbers it shows.
struct Field {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
    x: (f64, f64),
    y: (f64, f64),
}

impl Field {
    fn at(&self, x: f64, y: f64) -> (f64, f64) {
        let share = |value: f64, (low, high): (f64, f64)| if high > low { (value - low) / (high - low) } else { 0.5 };
        (self.left + share(x, self.x) * self.width, self.top + (1.0 - share(y, self.y)) * self.height)
    }

    fn frame(&self, title: &str, x_unit: &str, y_unit: &str) -> String {
        let (bottom, right) = (self.top + self.height, self.left + self.width);
        let mut svg = format!(
            "<rect x='{:.1}' y='{:.1}' width='{:.1}' height='{:.1}' class='frame'/><text x='{:.1}' y='{:.1}' class='title'>{title}</text>",
            self.left,
            self.top,
            self.width,
            self.height,
            self.left,
            self.top - 8.0
        );
        for (value, y, anchor) in [(self.y.1, self.top + 10.0, "end"), (self.y.0, bottom, "end")] {
            let _ = write!(svg, "<text x='{:.1}' y='{y:.1}' text-anchor='{anchor}'>{value:.3}</text>", self.left - 5.0);
        }
        let _ = write!(
            svg,
            "<text x='{:.1}' y='{:.1}' text-anchor='end'>{y_unit}</text>",
            self.left - 5.0,
            self.top + self.height / 2.0
        );
        for (value, x, anchor) in [(self.x.0, self.left, "start"), (self.x.1, right, "end")] {
            let _ = write!(
                svg,
                "<text x='{x:.1}' y='{:.1}' text-anchor='{anchor}'>{value:.2} {x_unit}</text>",
                bottom + 14.0
            );
        }
        svg
    }

    fn line(&self, points: impl Iterator<Item = (f64, f64)>, class: &str) -> String {
        let mut svg = String::from("<polyline points='");
        for (x, y) in points {
            let (x, y) = self.at(x, y);
            let _ = write!(svg, "{x:.1},{y:.1} ");
        }
        let _ = write!(svg, "' class='{class}'/>");
        svg
    }
}

/// Lowest and highest of each column.
fn drawn(heights: &[f64], from: f64, step: f64) -> Vec<(f64, f64)> {
    let size = heights.len().div_ceil(COLUMNS).max(1);
    let mut points = Vec::new();
    for (column, part) in heights.chunks(size).enumerate() {
        let x = from + (column * size) as f64 * step;
        let (low, high) = bounds(part);
        match part.len() {
            1 => points.push((x, low)),
            _ => points.extend([(x, low), (x, high)]),
        }
    }
    points
}

fn bounds(values: &[f64]) -> (f64, f64) {
    values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(*value), high.max(*value)))
}

/// The sheet as SVG.
pub(super) fn sheet(trace: &Trace, of: &Evaluation, file: &Path) -> String {
    let name = file.display().to_string().replace('&', "&amp;").replace('<', "&lt;");
    let mut svg = format!(
        "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {WIDTH} {HEIGHT}' font-family='sans-serif' font-size='11'><style>\
         .frame{{fill:none;stroke:#000;stroke-width:1}}.thin{{fill:none;stroke:#000;stroke-width:.6}}\
         .heavy{{fill:none;stroke:#000;stroke-width:1.8}}.dash{{fill:none;stroke:#000;stroke-width:.8;stroke-dasharray:6 3}}\
         .bar{{fill:#bbb;stroke:#000;stroke-width:.4}}.title{{font-size:13px}}</style>\
         <rect width='{WIDTH}' height='{HEIGHT}' fill='#fff'/><text x='60' y='24' class='title'>{name}</text>"
    );
    svg.push_str(&numbers(of));
    svg.push_str(&above(trace, of));
    svg.push_str(&below(of));
    svg.push_str("</svg>\n");
    svg
}

/// The main figures on one line.
fn numbers(of: &Evaluation) -> String {
    let shown = ["Ra", "Rz", "Rq", "Rt", "RSm", "Rk"].iter().filter_map(|symbol| {
        let parameter = of.parameters.iter().find(|parameter| parameter.symbol == *symbol)?;
        Some(format!("{symbol} {:.4} {}", parameter.value?, parameter.unit))
    });
    let settings = &of.settings;
    let words = format!("{} filter, cutoff {} mm x {}", settings.filter.word(), settings.cutoff, of.sections);
    format!("<text x='60' y='44'>{}    {words}</text>", shown.collect::<Vec<_>>().join("    "))
}

/// The primary profile with its mean line, and the roughness profile with its sections.
fn above(trace: &Trace, of: &Evaluation) -> String {
    let from = of.first as f64 * of.step;
    let x = (from, from + of.primary.len() as f64 * of.step);
    let primary = Field { left: 80.0, top: 80.0, width: 880.0, height: 150.0, x, y: bounds(&of.primary) };
    let rough = Field { left: 80.0, top: 280.0, width: 880.0, height: 150.0, x, y: bounds(&of.roughness) };
    let whole = trace.heights().len() as f64 * of.step;
    let title = format!("primary profile (thin) and mean line (heavy), of a trace of {whole:.2} mm");
    let mut svg = primary.frame(&title, "mm", "µm");
    svg.push_str(&primary.line(drawn(&of.primary, from, of.step).into_iter(), "thin"));
    svg.push_str(&primary.line(drawn(&of.waviness, from, of.step).into_iter(), "heavy"));
    svg.push_str(&rough.frame("roughness profile, mean line and sections (dashed)", "mm", "µm"));
    svg.push_str(&rough.line(drawn(&of.roughness, from, of.step).into_iter(), "thin"));
    svg.push_str(&rough.line([(x.0, 0.0), (x.1, 0.0)].into_iter(), "dash"));
    for section in 1..of.sections {
        let at = from + (section * of.section_points) as f64 * of.step;
        svg.push_str(&rough.line([(at, rough.y.0), (at, rough.y.1)].into_iter(), "dash"));
    }
    svg
}

/// Material ratio curve and distribution of heights.
fn below(of: &Evaluation) -> String {
    let mut falling = of.roughness.clone();
    falling.sort_unstable_by(|a, b| b.total_cmp(a));
    let y = bounds(&falling);
    let ratio = Field { left: 80.0, top: 490.0, width: 560.0, height: 180.0, x: (0.0, 100.0), y };
    let count = falling.len() as f64;
    let stride = falling.len().div_ceil(COLUMNS).max(1);
    let curve = falling.iter().enumerate().step_by(stride).map(|(at, z)| (100.0 * (at as f64 + 0.5) / count, *z));
    let mut svg = ratio.frame("material ratio", "%", "µm");
    svg.push_str(&ratio.line(curve, "heavy"));
    if let (Some(core), Some(from), Some(to)) = (of.get("Rk"), of.get("Mr1"), of.get("Mr2")) {
        for percent in [from, to] {
            svg.push_str(&ratio.line([(percent, y.0), (percent, y.1)].into_iter(), "dash"));
        }
        let _ = write!(svg, "<text x='90' y='505'>Rk {core:.4} µm, Mr1 {from:.1} %, Mr2 {to:.1} % (dashed)</text>");
    }
    let mut classes = vec![0_usize; CLASSES];
    for z in &falling {
        let share = if y.1 > y.0 { (z - y.0) / (y.1 - y.0) } else { 0.5 };
        classes[((share * CLASSES as f64) as usize).min(CLASSES - 1)] += 1;
    }
    let most = classes.iter().copied().max().unwrap_or(1).max(1) as f64;
    let share = 100.0 * most / count;
    let heights = Field { left: 720.0, top: 490.0, width: 240.0, height: 180.0, x: (0.0, share), y };
    svg.push_str(&heights.frame("distribution of heights", "%", "µm"));
    let tall = heights.height / CLASSES as f64;
    for (class, number) in classes.iter().enumerate() {
        let top = heights.top + heights.height - (class + 1) as f64 * tall;
        let wide = *number as f64 / most * heights.width;
        let _ = write!(
            svg,
            "<rect x='{:.1}' y='{top:.1}' width='{wide:.1}' height='{tall:.1}' class='bar'/>",
            heights.left
        );
    }
    svg
}
