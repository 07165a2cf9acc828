// Maps of colours. Included by loops.c.

// nearest finds, for each cell of an n by n grid, the nearest site and its squared
// distance, in cells; -1 and infinity where there is no site at all. It is the lower
// envelope of parabolas along columns and then rows, P. F. Felzenszwalb and D. P.
// Huttenlocher, Distance transforms of sampled functions, Theory of Computing 8 (2012)
// 415-428, in whole numbers: where one parabola ends and the next begins is num / den.
// num, den, last, v and g are room for n numbers each.
static void NAME(nearest_site)(int n, const uint8_t *restrict site, double *restrict d2, int32_t *restrict nearest, int64_t *restrict num,
			       int64_t *restrict den, int32_t *restrict last, int32_t *restrict v, int32_t *restrict g)
{
	// Along columns the sites are 0 or nothing, so two sweeps do: the row of the
	// nearest site in each column, -1 for none, is in nearest until rows are done.
	for (int x = 0; x < n; x++)
		last[x] = -1;
	for (int y = 0; y < n; y++)
		for (int x = 0; x < n; x++)
			nearest[y * n + x] = last[x] = site[y * n + x] ? y : last[x];
	for (int x = 0; x < n; x++)
		last[x] = -1;
	for (int y = n - 1; y >= 0; y--)
		for (int x = 0; x < n; x++) {
			int32_t r = nearest[y * n + x], b = last[x];
			last[x] = r == y ? y : b;
			nearest[y * n + x] = (b >= 0) & (r != y) & ((r < 0) | (b - y < y - r)) ? b : r;
		}
	for (int y = 0; y < n; y++) {
		int32_t *row = nearest + y * n;
		int k = -1;
		for (int x = 0; x < n; x++) {
			if (row[x] < 0)
				continue;
			// Of sites side by side only the outermost are nearest to others.
			if (row[x] == y && x > 0 && x < n - 1 && row[x - 1] == y && row[x + 1] == y)
				continue;
			g[x] = (row[x] - y) * (row[x] - y);
			int64_t a = 0, b = 1;
			for (; k >= 0; k--) {
				const int u = v[k];
				a = (int64_t)g[x] + x * x - g[u] - u * u;
				b = 2 * (x - u);
				if (k == 0 || a * den[k] > num[k] * b)
					break;
			}
			k++;
			v[k] = x;
			num[k] = a;
			den[k] = b;
		}
		// Rows of sites are needed until their columns are done with.
		memcpy(last, row, n * sizeof *last);
		for (int x = 0, j = 0; x < n; x++) {
			if (last[x] == y) {
				d2[y * n + x] = 0;
				row[x] = y * n + x;
			} else if (k < 0) {
				d2[y * n + x] = INFINITY;
				row[x] = -1;
			} else {
				while (j < k && num[j + 1] < x * den[j + 1])
					j++;
				const int u = v[j];
				d2[y * n + x] = (x - u) * (x - u) + g[u];
				row[x] = last[u] * n + u;
			}
		}
	}
}

// mirrored compares n places, at most 64, of each of some rings with as many others, and
// counts how often each of TW_COLOURS colours is seen where both are known, and how often
// both are the same. Places of one ring count for twice its number and one; rings are
// wide apart, and there are no more than 15.
static void NAME(mirrored)(const uint8_t *a, const uint8_t *b, int rings, int wide, int n, int32_t *seen, int32_t *same)
{
	v32b right[TW_COLOURS] = {{0}}, left[TW_COLOURS] = {{0}}, both = {0};
	for (int from = 0; from < n; from += 32) {
		v32b in;
		for (int j = 0; j < 32; j++)
			in[j] = from + j < n ? 255 : 0;
		for (int r = 0; r < rings; r++) {
			const v32b o = *(const v32b *)(a + r * wide + from), p = *(const v32b *)(b + r * wide + from);
			const v32b weight = (v32b)((o | p) < TW_COLOURS) & in & (uint8_t)(2 * r + 1);
			both += (v32b)(o == p) & weight;
			for (int k = 0; k < TW_COLOURS; k++) {
				right[k] += (v32b)(o == (uint8_t)k) & weight;
				left[k] += (v32b)(p == (uint8_t)k) & weight;
			}
		}
		// Before a byte runs over.
		for (int k = 0; k < TW_COLOURS; k++) {
			for (int j = 0; j < 32; j++)
				seen[k] += right[k][j] + left[k][j];
			right[k] = left[k] = (v32b){0};
		}
		for (int j = 0; j < 32; j++)
			*same += 2 * both[j];
		both = (v32b){0};
	}
}

// binomial_some smooths a field w wide and h high with the 3 x 3 binomial filter; NaN has
// no part and stays. The border of the field stays as well.
static void NAME(binomial_some)(const double *restrict t, int w, int h, double *restrict out)
{
	memcpy(out, t, w * h * sizeof *out);
	for (int y = 1; y < h - 1; y++) {
		const double *up = t + (y - 1) * w, *mid = up + w, *down = mid + w;
		double *o = out + y * w;
		for (int x = 1; x < w - 1; x++) {
			double all = 4 * mid[x] + 2 * (mid[x - 1] + mid[x + 1] + up[x] + down[x]) + (up[x - 1] + up[x + 1] + down[x - 1] + down[x + 1]);
			o[x] = all / 16;
		}
		for (int x = 1; x < w - 1; x++) {
			if (o[x] == o[x] || mid[x] != mid[x])
				continue;
			// In the order of the ring of neighbours.
			const double ring[8] = {mid[x + 1], up[x + 1], up[x], up[x - 1], mid[x - 1], down[x - 1], down[x], down[x + 1]};
			double s = 4 * mid[x], g = 4;
			for (int k = 0; k < 8; k++)
				if (ring[k] == ring[k]) {
					double c = 2 - k % 2;
					s += c * ring[k];
					g += c;
				}
			o[x] = s / g;
		}
	}
}
