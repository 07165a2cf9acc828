// Circles and the edges about them. Included by loops.c.

// annulus copies the edges that lie between two radii of a place, and appends
// their numbers, the first being first; it returns how many.
static int NAME(annulus)(const float *x, const float *y, const float *gx, const float *gy, int n, float cx, float cy, float lo2, float hi2,
		  float *ox, float *oy, float *ogx, float *ogy, int32_t *oi, int32_t first)
{
	int k = 0;
	for (int i = 0; i < n; i++) {
		float dx = x[i] - cx, dy = y[i] - cy, d2 = dx * dx + dy * dy;
		ox[k] = dx;
		oy[k] = dy;
		ogx[k] = gx[i];
		ogy[k] = gy[i];
		oi[k] = first + i;
		k += d2 > lo2 && d2 < hi2;
	}
	return k;
}

// narrow keeps the edges that lie between two radii of another place, and returns how
// many.
static int NAME(narrow)(float *x, float *y, float *gx, float *gy, int32_t *at, int n, float cx, float cy, float lo2, float hi2)
{
	int k = 0;
	for (int i = 0; i < n; i++) {
		float dx = x[i] - cx, dy = y[i] - cy, d2 = dx * dx + dy * dy;
		x[k] = x[i];
		y[k] = y[i];
		gx[k] = gx[i];
		gy[k] = gy[i];
		at[k] = at[i];
		k += d2 > lo2 && d2 < hi2;
	}
	return k;
}

// directions are those of eight places about a middle, of TW_EIGHTH in each eighth of
// a turn.
static inline __attribute__((always_inline)) v8i NAME(directions)(v8f dx, v8f dy, const float *tangents)
{
	const v8f ax = NAME(size)(dx), ay = NAME(size)(dy);
	const v8i steep = (v8i)(ax < ay);
	const v8f t = NAME(choice)(steep, ax, ay) / NAME(choice)(steep, ay, ax);
	v8i b = {0};
	for (int i = 1; i < TW_EIGHTH; i++)
		b -= (v8i)(t >= tangents[i]);
	// Mirrored, direction b of 2 k eighths is the last but b.
	v8i mirror = steep;
	b = (b ^ mirror) + (mirror & (2 * TW_EIGHTH));
	mirror = (v8i)(dx < 0);
	b = (b ^ mirror) + (mirror & (4 * TW_EIGHTH));
	mirror = (v8i)(dy < 0);
	return (b ^ mirror) + (mirror & (8 * TW_EIGHTH));
}

// nearest finds, in each direction about an ellipse, the edge nearest to it whose
// gradient points along its normal: direction by direction those there are, as number
// says, with what each counts, in the room there is for one in each direction. It
// returns how many there are, and all that they count in *sum. C reads by eights.
static int NAME(nearest)(const float *x, const float *y, const float *gx, const float *gy, const int32_t *number, int n, const tw_ring *e,
			 const float *tangents, const double *counts, int32_t *at, double *weight, double *sum)
{
	const float cx = e->cx, cy = e->cy, c = e->cos, s = e->sin, pa = e->pa, pb = e->pb;
	const float lo2 = e->lo2, hi2 = e->hi2, along2 = e->along2;
	// How far off the nearest lies, over its number: no number is negative, so that
	// bits are in the order of what they stand for, and of two as near the first is less.
	uint64_t least[8 * TW_EIGHTH];
	const uint64_t none = (uint64_t)NAME(bits)(e->tol) << 32;
	for (int b = 0; b < 8 * TW_EIGHTH; b++)
		least[b] = none;
	for (int from = 0; from < n; from += 8) {
		const v8f dx = *(const v8f *)(x + from) - cx, dy = *(const v8f *)(y + from) - cy;
		const v8f u = (c * dx + s * dy) * pa, v = (c * dy - s * dx) * pb;
		const v8f d2 = u * u + v * v;
		const v8f nu = u * pa, nv = v * pb;
		const v8f nx = c * nu - s * nv, ny = s * nu + c * nv;
		const v8f g = nx * *(const v8f *)(gx + from) + ny * *(const v8f *)(gy + from);
		unsigned hits = NAME(which)((v8i)(d2 > lo2) & (v8i)(d2 < hi2) & (v8i)(g * g >= along2 * (nx * nx + ny * ny)));
		if (n - from < 8)
			hits &= (1u << (n - from)) - 1;
		if (!hits)
			continue;
		const v8f off = NAME(size)(NAME(root)(d2) - 1) * e->r;
		const v8i to = NAME(directions)(dx, dy, tangents);
		for (; hits; hits &= hits - 1) {
			const int i = __builtin_ctz(hits), b = to[i];
			const uint64_t it = (uint64_t)NAME(bits)(off[i]) << 32 | (uint32_t)(from + i);
			least[b] = it < least[b] ? it : least[b];
		}
	}
	int k = 0;
	double all = 0;
	for (int b = 0; b < 8 * TW_EIGHTH; b++) {
		if (least[b] == none)
			continue;
		at[k] = number[(uint32_t)least[b]];
		all += weight[k] = counts[at[k]];
		k++;
	}
	*sum = all;
	return k;
}

// round_votes says of some pixels of several rows how far edges run round a circle about
// each rather than across it: the mean over TW_ROUND directions of how much more
// gradients lie along the direction than across it, over all there is and the noise.
// step has the places of the TW_ROUND_AT votes of each direction, as pixels from the
// middle. Where every third direction speaks against a circle, it is 0. C reads and
// writes by eights, and leaves the eight numbers after each row 0.
static void NAME(round_votes)(const float *dif, const float *mix, const float *all, const tw_span *spans, int rows, const int32_t *step,
			      const float *turned, float noise, float *votes)
{
	for (int row = 0; row < rows; row++) {
		const int first = spans[row].first, n = spans[row].n;
		float *out = votes + spans[row].at;
		for (int i = 0; i < n; i += 8) {
			v8f total = {0};
			const float *d = dif + first + i, *m = mix + first + i, *a = all + first + i;
			v8i hopeless = {0};
			for (int third = 0; third < 3; third++) {
				for (int k = third; k < TW_ROUND; k += 3) {
					v8f sd = {0}, sm = {0}, sa = {0};
					for (int l = 0; l < TW_ROUND_AT; l++) {
						int s = step[TW_ROUND_AT * k + l];
						sd += *(const v8f *)(d + s);
						sm += *(const v8f *)(m + s);
						sa += *(const v8f *)(a + s);
					}
					total += (turned[2 * k] * sd + turned[2 * k + 1] * sm) / (sa + noise);
				}
				if (third == 0) {
					hopeless = (v8i)(total <= 0);
					if (!NAME(which)(~hopeless))
						break;
				}
			}
			*(v8f *)(out + i) = (v8f)((v8i)(total * (1.0f / TW_ROUND)) & ~hopeless);
		}
		memset(out + n, 0, 8 * sizeof *out);
	}
}

// round_vote is the same mean about one place, between pixels, by votes at count radii;
// those of a pixel are side by side in tensor. turn has the directions' cosines, then
// their sines.
static float NAME(round_vote)(const float *tensor, int w, double x, double y, const double *radius, int count, const double *turn,
			      const float *turned, float noise)
{
	v4f sum[TW_ROUND] = {{0}};
	for (int l = 0; l < count; l++) {
		int32_t at[TW_ROUND];
		for (int k = 0; k < TW_ROUND; k++)
			at[k] = (int)(y + radius[l] * turn[TW_ROUND + k]) * w + (int)(x + radius[l] * turn[k]);
		for (int k = 0; k < TW_ROUND; k++)
			sum[k] += *(const v4f *)(tensor + 3 * at[k]); // and the next pixel's first
	}
	float vote[TW_ROUND], total = 0;
	for (int k = 0; k < TW_ROUND; k++)
		vote[k] = (turned[2 * k] * sum[k][0] + turned[2 * k + 1] * sum[k][1]) / (sum[k][2] + noise);
	for (int k = 0; k < TW_ROUND; k++)
		total += vote[k];
	return total;
}

// rings are the colours on count circles about a place, in each direction, between the
// pixels of a square picture w wide, three numbers each, times share. turn is as in
// round_vote. Beyond the picture its border goes on.
static void NAME(rings)(const double *lab, int w, double x, double y, const double *radius, int count, const double *turn,
			const double *share, double *out)
{
	const double most = w - 1.001;
	const v4d by = {share[0], share[1], share[2], 0};
	for (int l = 0; l < count; l++)
		for (int k = 0; k < TW_ROUND; k++, out += 3) {
			double u = x + radius[l] * turn[k], v = y + radius[l] * turn[TW_ROUND + k];
			u = u < most ? u : most;
			v = v < most ? v : most;
			u = u > 0 ? u : 0;
			v = v > 0 ? v : 0;
			int ix = (int)u, iy = (int)v;
			double fx = u - ix, fy = v - iy, gx = 1 - fx, gy = 1 - fy;
			// A pixel's three numbers and the next one's first; the second pixel
			// by what lies before it, so that nothing is read past the end.
			const double *a = lab + 3 * (iy * w + ix), *b = a + 3 * w;
			v4d a0 = *(const v4d *)a, a1 = *(const v4d *)(a + 2), b0 = *(const v4d *)b, b1 = *(const v4d *)(b + 2);
			const v4l on = {1, 2, 3, 3};
			a1 = __builtin_shuffle(a1, on);
			b1 = __builtin_shuffle(b1, on);
			v4d c = (gy * (gx * a0 + fx * a1) + fy * (gx * b0 + fx * b1)) * by;
			out[0] = c[0];
			out[1] = c[1];
			out[2] = c[2];
		}
}

// tensor_row is the structure tensor of n pixels of a picture w wide, three numbers each,
// by Scharr's weights: Jxx - Jyy, Jxy and Jxx + Jyy, and the last again in full. The
// second and the third number count for half. What lies around the pixels is there.
static void NAME(tensor_row)(const double *lab, int w, int n, float *out, double *all)
{
	const double one = 1.0 / (32 * 32);
	for (int x = 0; x < n; x++, lab += 3) {
		// Each pixel after the last number of the one before it.
		const double *m = lab - 1, *u = m - 3 * w, *d = m + 3 * w;
		v4d d0 = *(const v4d *)(d + 3) - *(const v4d *)(u - 3), d1 = *(const v4d *)(d - 3) - *(const v4d *)(u + 3);
		v4d gx = 3 * (d0 - d1) + 10 * (*(const v4d *)(m + 3) - *(const v4d *)(m - 3));
		v4d gy = 3 * (d0 + d1) + 10 * (*(const v4d *)d - *(const v4d *)u);
		v4d sx = gx * gx, sxy = gx * gy, sy = gy * gy;
		double xx = (sx[1] + (sx[2] + sx[3]) / 4) * one, xy = (sxy[1] + (sxy[2] + sxy[3]) / 4) * one;
		double yy = (sy[1] + (sy[2] + sy[3]) / 4) * one;
		out[3 * x] = (float)(xx - yy);
		out[3 * x + 1] = (float)xy;
		out[3 * x + 2] = (float)(xx + yy);
		all[x] = xx + yy;
	}
}
