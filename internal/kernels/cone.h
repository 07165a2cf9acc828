// Cones through rays. Included by loops.c.

static inline __attribute__((always_inline)) v4d NAME(each)(const double *p) { return (v4d){p[0], p[3], p[6], p[9]}; }

static inline __attribute__((always_inline)) double NAME(four)(v4d v) { return (v[0] + v[1]) + (v[2] + v[3]); }

// mean_ray adds up n rays by their weights.
static void NAME(mean_ray)(const double *ray, const double *weight, int n, double *out)
{
	v4d s[3] = {{0}};
	int i = 0;
	for (; i + 4 <= n; i += 4) {
		v4d w = *(const v4d *)(weight + i);
		for (int k = 0; k < 3; k++)
			s[k] += w * NAME(each)(ray + 3 * i + k);
	}
	for (int k = 0; k < 3; k++)
		out[k] = NAME(four)(s[k]);
	for (; i < n; i++)
		for (int k = 0; k < 3; k++)
			out[k] += weight[i] * ray[3 * i + k];
}

// cone_sums adds up the normal equations of V.u = 1 over n rays in coordinates about z:
// with p = x.u / z.u, q = y.u / z.u and c = 1 / z.u, the weighted sums of 1, p, q, pp,
// pq, qq, c, pc and qc. It gives 0 where a ray points away from z.
static int NAME(cone_sums)(const double *ray, const double *weight, int n, const double *xyz, double *out)
{
	v4d s[9] = {{0}};
	const double *x = xyz, *y = xyz + 3, *z = xyz + 6;
	int behind = 0;
	for (int i = 0; i < n; i += 4) {
		v4d u0, u1, u2, w;
		if (i + 4 <= n) {
			u0 = NAME(each)(ray + 3 * i), u1 = NAME(each)(ray + 3 * i + 1), u2 = NAME(each)(ray + 3 * i + 2);
			w = *(const v4d *)(weight + i);
		} else {
			// Past the last: the last again, which counts nothing.
			double some[12], part[4] = {0};
			for (int k = 0; k < 4; k++) {
				int at = i + k < n ? i + k : n - 1;
				memcpy(some + 3 * k, ray + 3 * at, 3 * sizeof(double));
				if (i + k < n)
					part[k] = weight[i + k];
			}
			u0 = NAME(each)(some), u1 = NAME(each)(some + 1), u2 = NAME(each)(some + 2);
			w = *(const v4d *)part;
		}
		v4d c = u0 * z[0] + u1 * z[1] + u2 * z[2];
		for (int k = 0; k < 4; k++)
			behind |= !(c[k] > 0);
		c = 1 / c;
		v4d p = (u0 * x[0] + u1 * x[1] + u2 * x[2]) * c, q = (u0 * y[0] + u1 * y[1] + u2 * y[2]) * c;
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
	return !behind;
}
