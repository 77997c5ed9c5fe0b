//! Nominal form: taken out before filtering, because the Gaussian leaks it into roughness.

/// What is taken out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Form {
    /// Nothing.
    None,
    /// The least-squares line.
    #[default]
    Line,
    /// The least-squares arc of a circle.
    Arc,
    /// The least-squares parabola.
    Parabola,
}

/// Rounds of the arc's fit at most; it settles in a handful.
const ROUNDS: usize = 100;

/// Heights in µm at steps in mm, without the form.
pub fn without(heights: &[f64], step: f64, form: Form) -> Vec<f64> {
    match form {
        Form::None => heights.to_vec(),
        Form::Line => residues(heights, &fitted(heights, 2)),
        Form::Parabola => residues(heights, &fitted(heights, 3)),
        Form::Arc => arc(heights, step),
    }
}

/// Position of an ordinate from -1 to 1.
fn place(at: usize, count: usize) -> f64 {
    if count < 2 { 0.0 } else { 2.0 * at as f64 / (count - 1) as f64 - 1.0 }
}

/// Coefficients of the least-squares polynomial over -1 to 1, by the first Legendre polynomials' powers.
fn fitted(heights: &[f64], terms: usize) -> [f64; 3] {
    let count = heights.len();
    let mut normal = [[0.0; 4]; 3];
    for (at, height) in heights.iter().enumerate() {
        let x = place(at, count);
        let powers = [1.0, x, x * x];
        for row in 0..terms {
            for column in 0..terms {
                normal[row][column] += powers[row] * powers[column];
            }
            normal[row][3] += powers[row] * height;
        }
    }
    for (row, equation) in normal.iter_mut().enumerate().skip(terms) {
        equation[row] = 1.0;
    }
    solved(normal)
}

/// The solution of three linear equations, by elimination with the largest pivot; zero where there is none.
fn solved(mut m: [[f64; 4]; 3]) -> [f64; 3] {
    for column in 0..3 {
        let pivot = (column..3).max_by(|a, b| m[*a][column].abs().total_cmp(&m[*b][column].abs())).unwrap_or(column);
        m.swap(column, pivot);
        if m[column][column] == 0.0 {
            continue;
        }
        for row in 0..3 {
            if row != column {
                let factor = m[row][column] / m[column][column];
                let pivot = m[column];
                m[row].iter_mut().zip(pivot).for_each(|(value, pivot)| *value -= factor * pivot);
            }
        }
    }
    [0, 1, 2].map(|row| if m[row][row] == 0.0 { 0.0 } else { m[row][3] / m[row][row] })
}

fn residues(heights: &[f64], [c0, c1, c2]: &[f64; 3]) -> Vec<f64> {
    let count = heights.len();
    let line = |at: usize| {
        let x = place(at, count);
        c0 + x * (c1 + x * c2)
    };
    heights.iter().enumerate().map(|(at, height)| height - line(at)).collect()
}

/// The least-squares circle, residues along z: vertex, position of the vertex and curvature, by Gauss and Newton.
fn arc(heights: &[f64], step: f64) -> Vec<f64> {
    let count = heights.len();
    let half = (count.saturating_sub(1)) as f64 * step / 2.0;
    let [c0, c1, c2] = fitted(heights, 3);
    if c2 == 0.0 || half == 0.0 {
        return residues(heights, &[c0, c1, 0.0]);
    }
    // Vertex height in µm, its place in mm, curvature in 1/mm.
    let mut arc = [c0 - c1 * c1 / (4.0 * c2), -c1 / (2.0 * c2) * half, 2.0 * c2 / (half * half) * 1e-3];
    let mut best = f64::INFINITY;
    let mut kept = arc;
    for _ in 0..ROUNDS {
        let mut normal = [[0.0; 4]; 3];
        let mut square = 0.0;
        for (at, height) in heights.iter().enumerate() {
            let u = place(at, count) * half - arc[1];
            let (value, slope, bend) = circle(u, arc[2]);
            let residue = height - arc[0] - value;
            square += residue * residue;
            let gradient = [1.0, -slope, bend];
            for row in 0..3 {
                for column in 0..3 {
                    normal[row][column] += gradient[row] * gradient[column];
                }
                normal[row][3] += gradient[row] * residue;
            }
        }
        if square >= best * (1.0 - 1e-14) {
            break;
        }
        (best, kept) = (square, arc);
        let change = solved(normal);
        arc = [0, 1, 2].map(|at| arc[at] + change[at]);
    }
    let value = |at: usize| kept[0] + circle(place(at, count) * half - kept[1], kept[2]).0;
    heights.iter().enumerate().map(|(at, height)| height - value(at)).collect()
}

/// Height over the vertex in µm of a circle of curvature `k` at `u` mm, and its derivatives by `u` and by `k`.
fn circle(u: f64, k: f64) -> (f64, f64, f64) {
    let root = (1.0 - (k * u).powi(2)).max(1e-12).sqrt();
    let value = 1e3 * k * u * u / (1.0 + root);
    let slope = 1e3 * k * u / root;
    let bend = 1e3 * u * u / (1.0 + root) + 1e3 * (k * u * u).powi(2) / (root * (1.0 + root).powi(2));
    (value, slope, bend)
}
