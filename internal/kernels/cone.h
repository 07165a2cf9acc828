// Cones through rays. Included by loops.c.

static inline __attribute__((always_inline)) double NAME(four)(v4d v) { return (v[0] + v[1]) + (v[2] + v[3]); }

static inline __attribute__((always_inline)) void NAME(cross)(const double *a, const double *b, double *out)
{
	out[0] = a[1] * b[2] - a[2] * b[1];
	out[1] = a[2] * b[0] - a[0] * b[2];
	out[2] = a[0] * b[1] - a[1] * b[0];
}

// unit makes a vector one of length 1. It gives 0 where that has none.
static inline __attribute__((always_inline)) int NAME(unit)(double *a)
{
	const double l = sqrt(a[0] * a[0] + a[1] * a[1] + a[2] * a[2]), per = 1 / l;
	for (int k = 0; k < 3; k++)
		a[k] *= per;
	return l > 0;
}

// four_rays are rays i to i + 3 of n and their weights; past the last it is the last
// again, which counts nothing.
static inline __attribute__((always_inline)) v4d NAME(four_rays)(const double *ray, const int32_t *at, const double *weight, int i, int n, v4d u[3])
{
	const double *p[4];
	v4d w;
	for (int k = 0; k < 4; k++) {
		const int j = i + k < n ? i + k : n - 1;
		p[k] = ray + 3 * (long)(at ? at[j] : j);
		w[k] = i + k < n ? weight[j] : 0;
	}
	for (int k = 0; k < 3; k++)
		u[k] = (v4d){p[0][k], p[1][k], p[2][k], p[3][k]};
	return w;
}

// cone_sums adds up the normal equations of V.u = 1 over n rays, those that at numbers
// or the first ones, in coordinates about their weighted mean z: with p = x.u / z.u, q =
// y.u / z.u and c = 1 / z.u, the weighted sums of 1, p, q, pp, pq, qq, c, pc and qc. xyz
// are the axes. It gives 0 where there is no mean, or a ray points away from it.
static int NAME(cone_sums)(const double *ray, const int32_t *at, const double *weight, int n, double *xyz, double *out)
{
	double *x = xyz, *y = xyz + 3, *z = xyz + 6;
	v4d u[3], m[3] = {{0}};
	const int whole = n & ~3;
	for (int i = 0; i < whole; i += 4) {
		v4d w = NAME(four_rays)(ray, at, weight, i, n, u);
		for (int k = 0; k < 3; k++)
			m[k] += w * u[k];
	}
	for (int k = 0; k < 3; k++) {
		z[k] = NAME(four)(m[k]);
		for (int i = whole; i < n; i++)
			z[k] += weight[i] * ray[3 * (long)(at ? at[i] : i) + k];
	}
	if (!NAME(unit)(z))
		return 0;
	const int steep = fabs(z[1]) > 0.9;
	const double across[3] = {steep, !steep, 0};
	NAME(cross)(across, z, x);
	NAME(unit)(x);
	NAME(cross)(z, x, y);
	v4l ahead = {-1, -1, -1, -1};
	v4d s[9] = {{0}};
	for (int i = 0; i < n; i += 4) {
		v4d w = NAME(four_rays)(ray, at, weight, i, n, u);
		v4d c = u[0] * z[0] + u[1] * z[1] + u[2] * z[2];
		ahead &= (v4l)(c > 0);
		c = 1 / c;
		v4d p = (u[0] * x[0] + u[1] * x[1] + u[2] * x[2]) * c, q = (u[0] * y[0] + u[1] * y[1] + u[2] * y[2]) * c;
		v4d tp = w * p, tq = w * q;
		s[0] += w;
		s[1] += tp;
		s[2] += tq;
		s[3] += tp * p;
		s[4] += tp * q;
		s[5] += tq * q;
		s[6] += w * c;
		s[7] += tp * c;
		s[8] += tq * c;
	}
	for (int k = 0; k < 9; k++)
		out[k] = NAME(four)(s[k]);
	return (ahead[0] & ahead[1] & ahead[2] & ahead[3]) != 0;
}
