// Smooth surfaces through what a picture shows. Included by loops.c.

// surface_off is how far four values lie off a surface of second degree.
static inline __attribute__((always_inline)) v4d NAME(surface_off)(const double *c, v4d x, v4d y, v4d v)
{
	return v - (c[0] + c[1] * x + c[2] * y + c[3] * (x * x) + c[4] * (x * y) + c[5] * (y * y));
}

// surface_sums weighs n places, each with three values in rows stride apart, by Tukey's
// biweight of the value that lies farthest off its surface, in units of its scale's
// fourfold. It adds up by weight the products of x to i and y to j (all with i + j up to
// 4: 1, x, y, xx, xy, yy, xxx and so on), and of each value with the first six of them.
static void NAME(surface_sums)(const double *x, const double *y, const double *value, long stride, int n, const double *coef, const double *scale,
			       double *weight, double *moments, double *sides)
{
	v4d m[15] = {{0}}, r[18] = {{0}};
	const v4d zero = {0};
	for (int i = 0; i < n; i += 4) {
		const v4d px = *(const v4d *)(x + i), py = *(const v4d *)(y + i);
		v4d v[3], d = zero;
		for (int k = 0; k < 3; k++) {
			v[k] = *(const v4d *)(value + k * stride + i);
			v4d e = NAME(surface_off)(coef + 6 * k, px, py, v[k]) / (4 * scale[k]);
			e *= e;
			d = NAME(either)((v4l)(e > d), e, d);
		}
		v4d w = (1 - d) * (1 - d);
		w = (v4d)((v4l)w & (v4l)(d < 1));
		for (int k = n - i; k < 4; k++)
			w[k] = 0;
		*(v4d *)(weight + i) = w;
		const v4d wx = w * px, wy = w * py, t[6] = {w, wx, wy, wx * px, wx * py, wy * py};
		const v4d q[4] = {t[3] * px, t[3] * py, t[5] * px, t[5] * py};
		for (int k = 0; k < 6; k++) {
			m[k] += t[k];
			for (int c = 0; c < 3; c++)
				r[6 * c + k] += t[k] * v[c];
		}
		for (int k = 0; k < 4; k++)
			m[6 + k] += q[k];
		m[10] += q[0] * px;
		m[11] += q[0] * py;
		m[12] += q[1] * py;
		m[13] += q[2] * py;
		m[14] += q[3] * py;
	}
	for (int k = 0; k < 15; k++)
		moments[k] = NAME(four)(m[k]);
	for (int k = 0; k < 18; k++)
		sides[k] = NAME(four)(r[k]);
}

// surface_offs is how far, without sign, each of n values lies off a surface, of those
// places that count. It returns how many there are. out is room for four more.
static int NAME(surface_offs)(const double *x, const double *y, const double *value, const double *weight, int n, const double *coef, double *out)
{
	int some = 0;
	for (int i = 0; i < n; i += 4) {
		const v4d off = NAME(absolute)(NAME(surface_off)(coef, *(const v4d *)(x + i), *(const v4d *)(y + i), *(const v4d *)(value + i)));
		for (int k = 0; k < 4; k++) {
			out[some] = off[k];
			some += weight[i + k] > 0;
		}
	}
	return some;
}
