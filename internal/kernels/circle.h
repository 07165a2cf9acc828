// Circles and the edges about them. Included by loops.c.

// annulus copies the edges from to before to that lie between two radii of a place and
// between two of another one, itself relative to the first, and appends their numbers to
// the k that there are; it returns how many there are then. Edges become relative to the
// first place. fronts says of each set of eight bits which are set, first to last. C reads
// and writes by eights.
static inline __attribute__((always_inline)) int NAME(annulus)(const tw_edges *e, int from, int to, const tw_annulus *a, float mx, float my,
							       const tw_annulus *b, const uint8_t *fronts, const tw_edges *out, int k)
{
	const float alo2 = a->least * a->least, ahi2 = a->most * a->most, blo2 = b->least * b->least, bhi2 = b->most * b->most;
	for (int i = from; i < to; i += 8) {
		const v8f dx = *(const v8f *)(e->x + i) - a->x, dy = *(const v8f *)(e->y + i) - a->y, d2 = dx * dx + dy * dy;
		const v8f u = dx - mx, v = dy - my, m2 = u * u + v * v;
		unsigned in = NAME(which)((v8i)(d2 > alo2) & (v8i)(d2 < ahi2) & (v8i)(m2 > blo2) & (v8i)(m2 < bhi2));
		if (to - i < 8)
			in &= (1u << (to - i)) - 1;
		if (!in)
			continue;
#if defined(__AVX2__)
		const v8i front = __builtin_convertvector(*(const v8c *)(fronts + 8 * in), v8i), number = i + (v8i){0, 1, 2, 3, 4, 5, 6, 7};
		*(v8f *)(out->x + k) = __builtin_shuffle(dx, front);
		*(v8f *)(out->y + k) = __builtin_shuffle(dy, front);
		*(v8f *)(out->gx + k) = __builtin_shuffle(*(const v8f *)(e->gx + i), front);
		*(v8f *)(out->gy + k) = __builtin_shuffle(*(const v8f *)(e->gy + i), front);
		*(v8f *)(out->number + k) = (v8f)__builtin_shuffle(number, front);
		k += __builtin_popcount(in);
#else
		(void)fronts;
		for (; in; in &= in - 1, k++) {
			const int j = __builtin_ctz(in);
			out->x[k] = dx[j];
			out->y[k] = dy[j];
			out->gx[k] = e->gx[i + j];
			out->gy[k] = e->gy[i + j];
			out->number[k] = i + j;
		}
#endif
	}
	return k;
}

// around copies the edges that lie in two annuli, relative to the middle of the first, and
// returns how many; see annulus. They are looked for in the cells about the second: cells
// are side px wide, w in each of h rows, and the edges of cell c are numbers first[c] to
// before first[c + 1].
static int NAME(around)(const tw_edges *e, const int32_t *first, int side, int w, int h, const tw_annulus *a, float mx, float my,
			const tw_annulus *b, const uint8_t *fronts, const tw_edges *out)
{
	const float cx = b->x, cy = b->y, lo = b->least, hi = b->most, per = 1.0f / side;
	const int top = cy - hi > 0 ? (int)((cy - hi) * per) : 0, bottom = (int)((cy + hi) * per);
	int k = 0;
	for (int row = top; row <= bottom && row < h; row++) {
		// A pixel to spare: rounding decides about single edges.
		const float above = cy - row * side, below = row * side + side - cy;
		const float least = above < 0 ? -above : below < 0 ? -below : 0, most = above > below ? above : below;
		const float far2 = hi * hi - least * least, near2 = lo * lo - most * most;
		const float far = (far2 > 0 ? sqrtf(far2) : 0) + 1, near = near2 > 0 ? sqrtf(near2) - 1 : 0;
		const int begin = cx > far ? (int)((cx - far) * per) : 0, last = (int)((cx + far) * per), end = last < w ? last + 1 : w;
		if (begin >= end)
			continue;
		const int32_t *cell = first + row * w;
		// The cells that all lie too near, of a row.
		const int gap = cx > near ? (int)((cx - near) * per) + 1 : 0, on = (int)((cx + near) * per);
		if (near > side && gap > begin && gap < on && on < end) {
			k = NAME(annulus)(e, cell[begin], cell[gap], a, mx, my, b, fronts, out, k);
			k = NAME(annulus)(e, cell[on], cell[end], a, mx, my, b, fronts, out, k);
		} else {
			k = NAME(annulus)(e, cell[begin], cell[end], a, mx, my, b, fronts, out, k);
		}
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
		// Where there is none, the first stands for it and is written over.
		const int i = number[(uint32_t)least[b]], is = least[b] != none;
		at[k] = i;
		weight[k] = counts[i];
		all += is ? counts[i] : 0;
		k += is;
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
