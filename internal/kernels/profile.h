// Profiles across an outline. Included by loops.c.

static inline __attribute__((always_inline)) v4d NAME(splat)(double v) { return (v4d){v, v, v, v}; }
static inline __attribute__((always_inline)) double NAME(sum)(v4d v) { return v[0] + v[1] + v[2]; }
static inline __attribute__((always_inline)) v4d NAME(either)(v4l which, v4d a, v4d b) { return (v4d)(((v4l)a & which) | ((v4l)b & ~which)); }
static inline __attribute__((always_inline)) v4d NAME(wide)(v4f v)
{
#if defined(__AVX__)
	return __builtin_ia32_cvtps2pd256(v);
#else
	return __builtin_convertvector(v, v4d);
#endif
}
static inline __attribute__((always_inline)) v4d NAME(absolute)(v4d v) { return (v4d)((v4l)v & INT64_MAX); }

// patch_row takes n pixels of eight bits, blue, green and red, to four numbers
// each: those that table has for their codes, added up. Rows are stride bytes apart; what
// lies two rows below is fetched meanwhile, since it is far off and wanted soon.
static void NAME(patch_row)(const uint8_t *restrict bgr, int n, long stride, const float *restrict table, float *restrict out)
{
	const v4f *t = (const v4f *)table;
	v4f *o = (v4f *)out;
	for (int i = 0; i < n; i += 16)
		__builtin_prefetch(bgr + 2 * stride + 3 * i);
	for (int i = 0; i < n; i++, bgr += 3)
		o[i] = t[bgr[2]] + t[256 + bgr[1]] + t[512 + bgr[0]];
}

// along reads n samples along a straight line, between the pixels of a patch of w
// x h; beyond it its border goes on.
static void NAME(along)(const float *restrict patch, int w, int h, double x, double y, double dx, double dy, int n, float *restrict out)
{
	const v4f *p = (const v4f *)patch;
	v4f *o = (v4f *)out;
	const double right = w - 1, bottom = h - 1;
	for (int i = 0; i < n; i++, x += dx, y += dy) {
		double u = x > 0 ? x : 0, v = y > 0 ? y : 0;
		u = u < right ? u : right;
		v = v < bottom ? v : bottom;
		int ix = (int)u, iy = (int)v;
		float fx = (float)(u - ix), fy = (float)(v - iy);
		const v4f *a = p + (long)iy * w + ix;
		long b = ix < w - 1, c = iy < h - 1 ? w : 0;
		float wa = (1 - fx) * (1 - fy), wb = fx * (1 - fy), wc = (1 - fx) * fy, wd = fx * fy;
		o[i] = wa * a[0] + wb * a[b] + wc * a[c] + wd * a[b + c];
	}
}

static inline __attribute__((always_inline)) v4d NAME(on)(const line4 *l, double x) { return l->a + l->b * x; }

static inline __attribute__((always_inline)) void NAME(moved)(sums4 *s, v4d old, v4d next, double n)
{
	s->s1 += (n - 1) * next - (s->s0 - old);
	s->s0 += next - old;
	s->s2 += next * next - old * old;
}

// bend is what a parabola through n samples adds to the straight line at x (the
// second orthogonal polynomial on an even grid).
static inline __attribute__((always_inline)) v4d NAME(bend)(const v4d *p, int n, double x)
{
	double m = (n - 1) / 2.0, nn = n, q = (nn * nn - 1) / 12;
	double norm = nn * (nn * nn - 1) * (nn * nn - 4) / 180;
	// Four sums, since each takes its time to be added to.
	v4d b[4] = {{0}};
	double t = -m;
	int j = 0;
	for (; j + 4 <= n; j += 4, t += 4) {
		for (int k = 0; k < 4; k++)
			b[k] += ((t + k) * (t + k) - q) * p[j + k];
	}
	for (; j < n; j++, t++)
		b[0] += (t * t - q) * p[j];
	t = x - m;
	return ((b[0] + b[1]) + (b[2] + b[3])) * ((t * t - q) / norm);
}

// crossing is where what departs first reaches a level, in samples.
static inline __attribute__((always_inline)) double NAME(crossing)(const double *away, int first, int from, int top_at, double level)
{
	double prev = away[(from > 0 ? from : 0) - first];
	for (int j = from + 1 > 1 ? from + 1 : 1; j <= top_at; j++) {
		double v = away[j - first];
		if (v >= level) {
			if (v == prev)
				return j;
			double f = (level - prev) / (v - prev);
			return j - 1 + (f > 0 ? f < 1 ? f : 1 : 0);
		}
		prev = v;
	}
	return top_at;
}

// measured is the step whose first sample clear of the outside is o; to is where it
// is at its full height. It gives 0 for what is no step of glass. away is room for
// as many numbers as there are samples.
static inline __attribute__((always_inline)) int NAME(measured)(const v4d *p, int m, const tw_search *ss, int o, double *away, tw_step *out, int *to)
{
	const int wn = ss->window, gn = ss->gap, from = o - gn - wn;
	// The line through what lies outside, and the scatter about it.
	line4 base;
	v4d sy = NAME(splat)(0), sxy = NAME(splat)(0), syy = NAME(splat)(0), noise;
	const double n = wn, mx = (n - 1) / 2, sxx = n * (n * n - 1) / 12;
	for (int j = 0; j < wn; j++) {
		v4d v = p[from + j];
		sy += v;
		sxy += (j - mx) * v;
		syy += v * v;
	}
	base.b = sxy / sxx;
	base.a = sy / n - base.b * mx;
	v4d left = (syy - sy * sy / n - base.b * sxy) / (n > 3 ? n - 2 : 1);
	for (int k = 0; k < 4; k++) {
		double s = left[k] > 0 ? sqrt(left[k]) : 0;
		noise[k] = s > ss->noise_floor ? s : ss->noise_floor;
	}
	// Height: the largest departure in the direction it first takes, within the
	// blur's reach.
	const int lim = o + ss->inward < m - 1 ? o + ss->inward : m - 1;
	v4d dir = NAME(splat)(0);
	for (int j = o; j <= lim; j++)
		dir += p[j] - NAME(on)(&base, j - from);
	double l = sqrt(NAME(sum)(dir * dir));
	if (l == 0)
		return 0;
	dir /= l;
	const int first = o - gn - ss->level > 0 ? o - gn - ss->level : 0;
	for (int j = first; j <= lim; j++)
		away[j - first] = NAME(sum)((p[j] - NAME(on)(&base, j - from)) * dir);
	double top = 0;
	int top_at = o;
	for (int j = o; j <= lim; j++) {
		if (away[j - first] > top) {
			top = away[j - first];
			top_at = j;
		}
	}
	// Where the paper darkens toward the marble already, a step that darkens
	// further must be more than the shadow going on.
	double sure = top;
	if (base.b[0] < 0 && dir[0] < 0)
		sure -= ss->shadow * -base.b[0] * wn * -dir[0];
	if (sure < ss->least)
		return 0;
	// A step levels off within the blur; the slope of a shadow goes on.
	const int span = ss->level;
	double steep = 0;
	for (int j = span > o - gn ? span : o - gn; j <= lim; j++) {
		double d = away[j - first] - away[j - span - first];
		if (d > steep)
			steep = d;
	}
	if (away[lim - first] - away[lim - span - first] > ss->levels * steep)
		return 0;
	double sigma = sqrt(NAME(sum)(dir * dir * noise * noise));
	out->at = NAME(crossing)(away, first, o - gn, top_at, 0.5 * top);
	out->strength = sure / sigma;
	out->width = NAME(crossing)(away, first, o - gn, top_at, 0.9 * top) - NAME(crossing)(away, first, o - gn, top_at, 0.1 * top);
	*to = top_at;
	return 1;
}

// steps finds the sharp departures from a straight line through what lies just
// further out, outermost first.
static inline __attribute__((always_inline)) int NAME(steps)(const v4d *p, int m, const tw_search *ss, double *away, tw_step *out)
{
	const int wn = ss->window, gn = ss->gap, in = ss->inward;
	int found = 0;
	if (wn < 8 || m < wn + gn + in + 2)
		return 0;
	sums4 s = {NAME(splat)(0), NAME(splat)(0), NAME(splat)(0)};
	for (int j = 0; j < wn; j++) {
		s.s0 += p[j];
		s.s1 += (double)j * p[j];
		s.s2 += p[j] * p[j];
	}
	const double nw = wn, mx = (nw - 1) / 2, per_sxx = 1 / (nw * (nw * nw - 1) / 12), per_nw = 1 / nw, per_free = 1 / (nw - 2);
	const double onset2 = ss->onset * ss->onset, floor2 = ss->noise_floor * ss->noise_floor, over2 = ss->over_peak * ss->over_peak;
	const v4d floors = NAME(splat)(floor2);
	int run = 0;
	for (int i = wn + gn; i + in < m && found < TW_STEPS; i++) {
		const int from = i - gn - wn;
		line4 line;
		v4d sxy = s.s1 - mx * s.s0;
		line.b = sxy * per_sxx;
		line.a = s.s0 * per_nw - line.b * mx;
		v4d off = p[i] - NAME(on)(&line, wn + gn);
		// What departs by less than the least noise there is needs no more asking.
		if (NAME(sum)(off * off) < onset2 * floor2) {
			NAME(moved)(&s, p[from], p[from + wn], nw);
			run = 0;
			continue;
		}
		v4d noise2 = (s.s2 - s.s0 * s.s0 * per_nw - line.b * sxy) * per_free;
		NAME(moved)(&s, p[from], p[from + wn], nw);
		v4d per = 1 / NAME(either)((v4l)(noise2 < floors), floors, noise2);
		if (NAME(sum)(off * off * per) < onset2) {
			run = 0;
			continue;
		}
		// A soft slope outside counts as noise: inside a shadow's edge the
		// straight line is only nearly right. A shadow that deepens ever faster
		// leaves it too, and follows a parabola.
		v4d b = NAME(bend)(p + from, wn, wn + gn), less = off - b;
		off = NAME(either)((v4l)(off * b > 0) & (v4l)(NAME(absolute)(less) < NAME(absolute)(off)), less, off);
		double d = NAME(sum)(off * off * per);
		if (d < onset2) {
			run = 0;
			continue;
		}
		// Grain in a shadow is blotchy: what happens outside by itself must be
		// left well behind.
		int behind = 1;
		for (int j = 0; j < wn && behind; j += 2) {
			v4d e = p[from + j] - NAME(on)(&line, j);
			behind = d >= over2 * NAME(sum)(e * e * per);
		}
		if (!behind) {
			run = 0;
			continue;
		}
		if (++run < 2)
			continue;
		run = 0;
		int to;
		if (NAME(measured)(p, m, ss, i - 1, away, &out[found], &to)) {
			found++;
			// The next one needs paper outside it, or something as even.
			for (; i < to + gn && i + 1 + in < m; i++)
				NAME(moved)(&s, p[i + 1 - gn - wn], p[i + 1 - gn], nw);
		}
	}
	return found;
}

// slopes lists the places of steepest change, each in samples from the start and
// with how much changes.
static inline __attribute__((always_inline)) int NAME(slopes)(const v4d *p, int m, int h, double least, double *g, double *out)
{
	int found = 0;
	if (m < 2 * h + 3)
		return 0;
	for (int i = h; i < m - h; i++) {
		v4d d = p[i + h] - p[i - h];
		g[i] = NAME(sum)(d * d);
	}
	for (int i = h; i < m - h; i++) {
		if (g[i] < least * least)
			continue;
		int top = 1;
		for (int j = i - h > h ? i - h : h; j <= (i + h < m - h - 1 ? i + h : m - h - 1); j++) {
			if (g[j] > g[i] || (g[j] == g[i] && j < i)) {
				top = 0;
				break;
			}
		}
		if (top) {
			out[2 * found] = i;
			out[2 * found + 1] = sqrt(g[i]);
			found++;
		}
	}
	return found;
}

// averaged are n samples of several profiles added up by their weights, which come to
// total. Blur and reflection mix light, not code values, so the half height is taken in
// linear light, relative to the paper outside.
static inline __attribute__((always_inline)) void NAME(averaged)(const v4f *const *src, const double *w, int count, int n, double total, v4d *p)
{
	double paper = 0, per = 1;
	for (int i = 0; i < n; i++) {
		v4d v = NAME(splat)(0);
		for (int j = 0; j < count; j++)
			v += w[j] * NAME(wide)(src[j][i]);
		p[i] = v * per;
		if (i < 8)
			paper += v[0] / 8;
		if (i == 7 || (i < 7 && i == n - 1)) {
			per = 1 / (paper > 0.01 * total ? paper : 0.01 * total);
			for (int k = 0; k <= i; k++)
				p[k] *= per;
		}
	}
}

// profile averages neighbouring profiles of n samples, which begin at from in raw
// (negative: none), and finds the steps and the steepest places in that. room is for
// 5 n numbers, steep for 2 n.
static void NAME(profile)(const float *raw, const int64_t *from, const double *weights, int n, const tw_search *ss,
		     double *room, tw_seen *seen, double *steep)
{
	v4d *p = (v4d *)room;
	double *rest = room + 4 * (long)n, total = 0, w[TW_ACROSS];
	const v4f *src[TW_ACROSS];
	int some = 0;
	for (int j = 0; j < TW_ACROSS; j++) {
		if (from[j] < 0)
			continue;
		src[some] = (const v4f *)(raw + from[j]);
		w[some++] = weights[j];
		total += weights[j];
	}
	if (some == TW_ACROSS)
		NAME(averaged)(src, w, TW_ACROSS, n, total, p); // its loop unrolled
	else
		NAME(averaged)(src, w, some, n, total, p);
	seen->steps = NAME(steps)(p, n, ss, rest, seen->step);
	seen->slopes = NAME(slopes)(p, n, ss->apart, ss->slope_least, rest, steep);
}
