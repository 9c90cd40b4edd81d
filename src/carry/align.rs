//! The similarity between two sets of points.

use nalgebra::{Matrix3, Matrix4, Point3, Vector3};

/// The rotation, scale and shift that bring `from` closest to `to`, point by point (Umeyama 1991, *Least-squares
/// estimation of transformation parameters between two point patterns*, eq. 34 to 42); `None` if the points lie on a
/// line, or are no three.
pub fn similarity(from: &[Point3<f64>], to: &[Point3<f64>]) -> Option<Matrix4<f64>> {
    let count = from.len().min(to.len());
    if count < 3 {
        return None;
    }
    let mean = |points: &[Point3<f64>]| -> Vector3<f64> {
        points.iter().map(|p| p.coords).sum::<Vector3<f64>>() / count as f64
    };
    let (centre, target) = (mean(&from[..count]), mean(&to[..count]));
    let (mut covariance, mut spread) = (Matrix3::zeros(), 0.0);
    for (p, q) in from.iter().zip(to) {
        let (p, q) = (p.coords - centre, q.coords - target);
        covariance += q * p.transpose() / count as f64;
        spread += p.norm_squared() / count as f64;
    }
    let svd = covariance.try_svd(true, true, f64::EPSILON, 500)?;
    let (u, v_t) = (svd.u?, svd.v_t?);
    let values = svd.singular_values;
    // Two directions are enough: the third follows.
    if !(values[1] > 1e-9 * values[0] && spread > 0.0 && spread.is_finite()) {
        return None;
    }
    let mut signs = Vector3::repeat(1.0);
    if (u.determinant() * v_t.determinant()) < 0.0 {
        signs[2] = -1.0;
    }
    let rotation = u * Matrix3::from_diagonal(&signs) * v_t;
    let scale = values.component_mul(&signs).sum() / spread;
    let linear = rotation * scale;
    let mut matrix = linear.to_homogeneous();
    matrix
        .fixed_view_mut::<3, 1>(0, 3)
        .copy_from(&(target - linear * centre));
    Some(matrix)
}

#[cfg(test)]
mod tests {
    use nalgebra::UnitQuaternion;

    use super::*;

    #[test]
    fn a_similarity_is_found_again() {
        // The worked example of the paper, §IV: a triangle in the plane, with a reflection as its best orthogonal
        // match, which is not allowed: R = [[0.832, 0.555], [-0.555, 0.832]], c = 0.721, t = [-0.800, 0.400].
        let point = |x: f64, y: f64| Point3::new(x, y, 0.0);
        let from = [point(0.0, 0.0), point(1.0, 0.0), point(0.0, 2.0)];
        let to = [point(0.0, 0.0), point(-1.0, 0.0), point(0.0, 2.0)];
        // In three dimensions the mirrored triangle is a turned one, and fits exactly.
        let found = similarity(&from, &to).expect("a similarity");
        for (p, q) in from.iter().zip(&to) {
            assert!((found.transform_point(p) - q).norm() < 1e-12);
        }
        let known = Matrix4::new_translation(&Vector3::new(1.0, -2.0, 0.5))
            * UnitQuaternion::from_euler_angles(0.3, -1.2, 2.0).to_homogeneous()
            * Matrix4::new_scaling(0.01);
        let points: Vec<Point3<f64>> = (0..9)
            .map(|k| Point3::new((k * k % 7) as f64, (3 * k % 5) as f64, k as f64))
            .collect();
        let moved: Vec<_> = points.iter().map(|p| known.transform_point(p)).collect();
        let found = similarity(&points, &moved).expect("a similarity");
        assert!((found - known).amax() < 1e-12, "{found}");
        let line: Vec<Point3<f64>> = (0..5).map(|k| point(f64::from(k), 0.0)).collect();
        assert_eq!(similarity(&line, &line), None);
        assert_eq!(similarity(&points[..2], &moved[..2]), None);
    }
}
