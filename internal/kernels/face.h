// The faces of marbles, in linear light and in CIELAB. Included by loops.c.

// light is a pixel, blue, green and red, in linear light, by what the codes stand for.
// One table for all channels is small enough to stay at hand beside all else.
static inline __attribute__((always_inline)) v4f NAME(light)(const uint8_t *bgr, const float *linear)
{
	return (v4f){linear[bgr[2]], linear[bgr[1]], linear[bgr[0]], 0};
}

// light_row takes n pixels to linear light.
static void NAME(light_row)(const uint8_t *restrict bgr, int n, const float *restrict linear, float *restrict out)
{
	v4f *o = (v4f *)out;
	for (int i = 0; i < n; i++)
		o[i] = NAME(light)(bgr + 3 * i, linear);
}

// between adds share times the colours at n places along a straight line, between the
// pixels of a photo, all of them inside it; and says where a channel is as light as it
// can be.
static void NAME(between)(const uint8_t *bgr, long stride, double x, double y, double dx, double dy, int n, const float *linear,
			  float share, float limit, float *sum, uint8_t *full)
{
	v4f *o = (v4f *)sum;
	for (int i = 0; i < n; i++) {
		double u = x + i * dx, v = y + i * dy;
		int ix = (int)u, iy = (int)v;
		float fx = (float)(u - ix), fy = (float)(v - iy);
		const uint8_t *a = bgr + iy * stride + 3 * ix, *c = a + stride;
		float wd = fx * fy, wb = fx - wd, wc = fy - wd, wa = 1 - fx - wc;
		v4f l = NAME(light)(a, linear) * wa + NAME(light)(a + 3, linear) * wb + NAME(light)(c, linear) * wc +
			NAME(light)(c + 3, linear) * wd;
		o[i] += share * l;
		full[i] |= l[0] > limit || l[1] > limit || l[2] > limit;
	}
}

// cie is f(t) of CIE 15 (ISO/CIE 11664-4): the cube root, by two of Halley's steps from
// a guess by the number's bits, and a straight line below (6/29)^3.
static inline __attribute__((always_inline)) v8f NAME(cie)(v8f t)
{
	v8f guess = __builtin_convertvector((v8i)t, v8f) * (1 / 3.0f) + 709921077.0f;
	v8f y = (v8f)__builtin_convertvector(guess, v8i);
	for (int k = 0; k < 2; k++) {
		v8f y3 = y * y * y;
		y = y * (y3 + t + t) / (y3 + y3 + t);
	}
	v8i above = (v8i)(t > 216.0f / 24389);
	v8f line = t * (24389.0f / 27 / 116) + 16.0f / 116;
	return (v8f)(((v8i)y & above) | ((v8i)line & ~above));
}

// eight takes eight colours' red, green and blue to CIELAB, number by number. m has
// what they add to X, Y and Z as shares of the white's, four numbers each.
static inline __attribute__((always_inline)) void NAME(eight)(const float rgb[3][8], const float *m, float lab[3][8])
{
	v8f r = *(const v8f *)rgb[0], g = *(const v8f *)rgb[1], b = *(const v8f *)rgb[2];
	v8f x = NAME(cie)(r * m[0] + g * m[4] + b * m[8]);
	v8f y = NAME(cie)(r * m[1] + g * m[5] + b * m[9]);
	v8f z = NAME(cie)(r * m[2] + g * m[6] + b * m[10]);
	*(v8f *)lab[0] = 116 * y - 16;
	*(v8f *)lab[1] = 500 * (x - y);
	*(v8f *)lab[2] = 200 * (y - z);
}

// lab takes n colours, four numbers each, to CIELAB, three each; m is as in eight.
static void NAME(lab)(const float *linear, int n, const float *m, double *out)
{
	float rgb[3][8] = {0}, lab[3][8];
	for (int i = 0; i < n; i += 8) {
		const int some = n - i < 8 ? n - i : 8;
		const float *p = linear + 4 * i;
		for (int j = 0; j < some; j++)
			for (int k = 0; k < 3; k++)
				rgb[k][j] = p[4 * j + k];
		NAME(eight)(rgb, m, lab);
		double *o = out + 3 * i;
		for (int j = 0; j < some; j++)
			for (int k = 0; k < 3; k++)
				o[3 * j + k] = lab[k][j];
	}
}

// weighted_lab is lab of colours of three numbers each, its lightness times weight.
static void NAME(weighted_lab)(const double *linear, int n, const float *m, double weight, float *out)
{
	float rgb[3][8] = {0}, lab[3][8];
	for (int i = 0; i < n; i += 8) {
		const int some = n - i < 8 ? n - i : 8;
		const double *p = linear + 3 * i;
		for (int j = 0; j < some; j++)
			for (int k = 0; k < 3; k++)
				rgb[k][j] = (float)p[3 * j + k];
		NAME(eight)(rgb, m, lab);
		float *o = out + 3 * i;
		for (int j = 0; j < some; j++) {
			o[3 * j] = (float)(lab[0][j] * weight);
			o[3 * j + 1] = lab[1][j];
			o[3 * j + 2] = lab[2][j];
		}
	}
}

// binomial smooths the light of a row of n pixels, three numbers each, with the 3 x 3
// binomial filter; and says around which of them the bits kind of the mask are not all
// alike. The first and the last pixel are left alone. The rows are that above, the row
// itself and that below; room is for 3 n numbers.
static void NAME(binomial)(const double *const light[3], const uint8_t *const mask[3], int n, uint8_t kind, double *restrict out,
			   uint8_t *restrict mixed, double *restrict room)
{
	const double *up = light[0], *mid = light[1], *down = light[2];
	for (int i = 0; i < 3 * n; i++)
		room[i] = up[i] + 2 * mid[i] + down[i];
	for (int i = 3; i < 3 * n - 3; i++)
		out[i] = (room[i - 3] + 2 * room[i] + room[i + 3]) * (1.0 / 16);
	for (int i = 1; i < n - 1; i++) {
		uint8_t any = 0, all = kind;
		for (int k = 0; k < 3; k++) {
			const uint8_t *m = mask[k] + i;
			any |= m[-1] | m[0] | m[1];
			all &= m[-1] & m[0] & m[1];
		}
		mixed[i] = (any & kind) != all;
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
