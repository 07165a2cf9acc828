// The faces of marbles, in linear light and in CIELAB. Included by loops.c.

// between adds share times the colours at n places along a straight line, between the
// pixels of a photo, all of them inside it; and says where a channel is as light as it
// can be.
static void NAME(between)(const uint8_t *bgr, long stride, double x, double y, double dx, double dy, int n, const float *table,
			  float share, float limit, float *sum, uint8_t *full)
{
	const v4f *t = (const v4f *)table;
	v4f *o = (v4f *)sum;
	for (int i = 0; i < n; i++) {
		double u = x + i * dx, v = y + i * dy;
		int ix = (int)u, iy = (int)v;
		float fx = (float)(u - ix), fy = (float)(v - iy);
		const uint8_t *a = bgr + iy * stride + 3 * ix, *c = a + stride;
		float wd = fx * fy, wb = fx - wd, wc = fy - wd, wa = 1 - fx - wc;
		v4f l = (t[a[2]] + t[256 + a[1]] + t[512 + a[0]]) * wa + (t[a[5]] + t[256 + a[4]] + t[512 + a[3]]) * wb +
			(t[c[2]] + t[256 + c[1]] + t[512 + c[0]]) * wc + (t[c[5]] + t[256 + c[4]] + t[512 + c[3]]) * wd;
		o[i] += share * l;
		full[i] |= l[0] > limit || l[1] > limit || l[2] > limit;
	}
}

// cie is f(t) of CIE 15 (ISO/CIE 11664-4): the cube root, by two of Halley's steps from
// a guess by the number's bits, and a straight line below (6/29)^3.
static inline __attribute__((always_inline)) v4f NAME(cie)(v4f t)
{
	v4f guess = __builtin_convertvector((v4i)t, v4f) * (1 / 3.0f) + 709921077.0f;
	v4f y = (v4f)__builtin_convertvector(guess, v4i);
	for (int k = 0; k < 2; k++) {
		v4f y3 = y * y * y;
		y = y * (y3 + t + t) / (y3 + y3 + t);
	}
	v4i above = (v4i)(t > 216.0f / 24389);
	v4f line = t * (24389.0f / 27 / 116) + 16.0f / 116;
	return (v4f)(((v4i)y & above) | ((v4i)line & ~above));
}

// lab takes n colours, four numbers each, to CIELAB, three each. m has what red, green
// and blue add to X, Y and Z as shares of the white's.
static void NAME(lab)(const float *linear, int n, const float *m, double *out)
{
	const v4f *p = (const v4f *)linear, *q = (const v4f *)m;
	for (int i = 0; i < n; i++) {
		v4f f = NAME(cie)(p[i][0] * q[0] + p[i][1] * q[1] + p[i][2] * q[2]);
		out[3 * i] = 116 * f[1] - 16;
		out[3 * i + 1] = 500 * (f[0] - f[1]);
		out[3 * i + 2] = 200 * (f[1] - f[2]);
	}
}

// lab_of is lab of colours of three numbers each.
static void NAME(lab_of)(const double *linear, int n, const float *m, double *out)
{
	const v4f *q = (const v4f *)m;
	for (int i = 0; i < n; i++) {
		const double *p = linear + 3 * i;
		v4f f = NAME(cie)((float)p[0] * q[0] + (float)p[1] * q[1] + (float)p[2] * q[2]);
		out[3 * i] = 116 * f[1] - 16;
		out[3 * i + 1] = 500 * (f[0] - f[1]);
		out[3 * i + 2] = 200 * (f[1] - f[2]);
	}
}

// balance multiplies n colours along a straight line of places by the light's gains
// there, and, where there is a curve, by its factor for the luminance that comes of
// it. gain has each cell's at its first corner, per cell to the right, per cell down,
// and per both.
static void NAME(balance)(float *line, int n, double u0, double v0, double du, double dv, const float *gain, const tw_curve *c,
			  const float *factor, double *linear, double *luminance)
{
	v4f *p = (v4f *)line;
	const v4f *g = (const v4f *)gain;
	const double last = TW_CELLS - 1e-9;
	for (int i = 0; i < n; i++) {
		double u = u0 + i * du, v = v0 + i * dv;
		u = u > 0 ? u < last ? u : last : 0;
		v = v > 0 ? v < last ? v : last : 0;
		int a = (int)u, b = (int)v;
		float fu = (float)(u - a), fv = (float)(v - b);
		const v4f *at = g + 4 * (TW_CELLS * b + a);
		v4f l = p[i] * (at[0] + fu * at[1] + fv * (at[2] + fu * at[3]));
		if (factor) {
			float y = 0.2126f * l[0] + 0.7152f * l[1] + 0.0722f * l[2];
			if (y > 1e-6f) {
				float s = sqrtf(y) * c->per;
				s = s < c->most ? s : c->most;
				int k = (int)s;
				l *= factor[k] + (s - k) * (factor[k + 1] - factor[k]);
			}
		}
		p[i] = l;
		double r = l[0], gr = l[1], bl = l[2];
		linear[3 * i] = r;
		linear[3 * i + 1] = gr;
		linear[3 * i + 2] = bl;
		luminance[i] = r * 0.2126 + gr * 0.7152 + bl * 0.0722;
	}
}
