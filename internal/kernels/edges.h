// Where a picture changes fastest. Included by loops.c.

// opponents takes n pixels of three numbers, blue, green and red, to a row each of three
// times the lightness, red against green, and twice yellow against blue.
static inline void NAME(opponents)(const int16_t *restrict bgr, int n, int16_t *restrict l, int16_t *restrict a, int16_t *restrict b)
{
	for (int i = 0; i < n; i++) {
		int16_t u = bgr[3 * i], g = bgr[3 * i + 1], r = bgr[3 * i + 2];
		l[i] = u + g + r;
		a[i] = r - g;
		b[i] = r + g - 2 * u;
	}
}

// change is how row y of a picture w by h changes to the right and downward, 16 times
// over two pixels, after a 3 x 3 binomial filter: six rows, to the right and downward
// of lightness, of red against green, and of yellow against blue. Two pixels at both
// ends are left out. room is for 12 w numbers.
static void NAME(change)(const uint8_t *bgr, int w, int h, int y, int16_t *restrict out, int16_t *restrict room)
{
	const uint8_t *p[5];
	for (int k = -2; k <= 2; k++) {
		int at = y + k < 0 ? 0 : y + k >= h ? h - 1 : y + k;
		p[k + 2] = bgr + 3 * (long)at * w;
	}
	int16_t *smooth = room, *fall = room + 3 * w, *s = room + 6 * w, *f = room + 9 * w;
	for (int x = 0; x < 3 * w; x++) {
		smooth[x] = p[1][x] + 2 * p[2][x] + p[3][x];
		fall[x] = 2 * (p[3][x] - p[1][x]) + p[4][x] - p[0][x];
	}
	NAME(opponents)(smooth, w, s, s + w, s + 2 * w);
	NAME(opponents)(fall, w, f, f + w, f + 2 * w);
	for (int k = 0; k < 3; k++, s += w, f += w) {
		int16_t *right = out + 2 * k * w, *below = right + w;
		for (int x = 2; x < w - 2; x++) {
			right[x] = 2 * (s[x + 1] - s[x - 1]) + s[x + 2] - s[x - 2];
			below[x] = f[x - 1] + 2 * f[x] + f[x + 1];
		}
	}
}

// slope_row fills in row y's slopes of whichever plane changes most, in units of its
// noise: to the right, down, and the square of both; 0 where all are below the floors,
// squares of whole numbers. room is for 18 w numbers. C writes by eights.
static void NAME(slope_row)(const uint8_t *bgr, int w, int h, int y, const int32_t *least, const float *unit, float *restrict sx,
			    float *restrict sy, float *restrict m2, int16_t *restrict room)
{
	NAME(change)(bgr, w, h, y, room, room + 6 * w);
	memset(m2, 0, sizeof(float) * w);
	for (int from = 2; from < w - 2; from += 8) {
		v8i r[3], b[3], some = {0};
		for (int k = 0; k < 3; k++) {
			const int16_t *p = room + 2 * k * w + from; // past the row's end lies more room
			r[k] = __builtin_convertvector(*(const v8s *)p, v8i);
			b[k] = __builtin_convertvector(*(const v8s *)(p + w), v8i);
			some |= r[k] * r[k] + b[k] * b[k] >= least[k];
		}
		if (w - 2 - from < 8)
			some &= (v8i){0, 1, 2, 3, 4, 5, 6, 7} < w - 2 - from;
		if (!NAME(which)(some))
			continue;
		v8f best = {0}, bx = {0}, by = {0};
		for (int k = 0; k < 3; k++) {
			const v8f p = __builtin_convertvector(r[k], v8f) * unit[k], q = __builtin_convertvector(b[k], v8f) * unit[k], m = p * p + q * q;
			const v8i more = (v8i)(m > best);
			best = NAME(choice)(more, m, best);
			bx = NAME(choice)(more, p, bx);
			by = NAME(choice)(more, q, by);
		}
		*(v8f *)(m2 + from) = (v8f)((v8i)best & some);
		*(v8f *)(sx + from) = bx;
		*(v8f *)(sy + from) = by;
	}
}

// thin picks from a row, given with those above and below it, the pixels whose change
// is above the floor (a square) and the largest along itself: their numbers.
static int NAME(thin)(const float *const m2[3], const float *sx, const float *sy, int w, float least, const uint8_t *masked, int32_t *out)
{
	int n = 0;
	for (int x = 2; x < w - 2; x++) {
		// Hardly any is high enough.
		while (x + 8 <= w - 2 && !NAME(which)((v8i)(*(const v8f *)(m2[1] + x) >= least)))
			x += 8;
		if (x == w - 2)
			break;
		const float m = m2[1][x];
		if (m < least || (masked && masked[x]))
			continue;
		// The nearest neighbours along the gradient: a unit step rounds to 1 from a half on.
		const float half = 0.5f * sqrtf(m);
		const int dx = (sx[x] >= half) - (sx[x] <= -half), dy = (sy[x] >= half) - (sy[x] <= -half);
		if (m2[1 + dy][x + dx] > m || m2[1 - dy][x - dx] >= m)
			continue;
		out[n++] = x;
	}
	return n;
}

// vote adds one for each edge to the two cells that lie r px from it along its
// gradient, both ways. C reads by eights.
static void NAME(vote)(const float *x, const float *y, const float *gx, const float *gy, int n, float r, float per, int w, int h, float *cells)
{
	for (int from = 0; from < n; from += 8) {
		const unsigned some = n - from < 8 ? (1u << (n - from)) - 1 : 255;
		const v8f ex = *(const v8f *)(x + from), ey = *(const v8f *)(y + from);
		const v8f dx = r * *(const v8f *)(gx + from), dy = r * *(const v8f *)(gy + from);
		for (int s = -1; s <= 1; s += 2) {
			const v8f u = ex + (float)s * dx + 0.5f, v = ey + (float)s * dy + 0.5f;
			const v8i a = __builtin_convertvector(u * per, v8i), b = __builtin_convertvector(v * per, v8i);
			const v8i cell = b * w + a;
			unsigned in = some & NAME(which)((v8i)(u >= 0) & (v8i)(v >= 0) & (a < w) & (b < h));
			for (; in; in &= in - 1)
				cells[cell[__builtin_ctz(in)]]++;
		}
	}
}

// blurred_row smooths n numbers by a symmetric filter: weight[0] for each, weight[k] for the
// two k off it. reach lie around them on both sides.
static inline __attribute__((always_inline)) void NAME(blurred_row)(const float *restrict in, int n, const float *weight, int reach, float *restrict out)
{
	for (int x = 0; x < n; x++) {
		float s = weight[0] * in[x];
		for (int k = 1; k <= reach; k++)
			s += weight[k] * (in[x - k] + in[x + k]);
		out[x] = s;
	}
}

// blurred_rows smooths across and down; see blur. The next rows, smoothed across, go round
// in room.
static inline __attribute__((always_inline)) void NAME(blurred_rows)(float *cells, int w, int h, const float *weight, int reach, float *room)
{
	const int rows = 2 * reach + 1;
	float *line = room + (long)rows * w + reach;
	memset(room, 0, sizeof *room * ((long)rows * w + w + 2 * reach));
	for (int y = -reach; y < h; y++) {
		float *next = room + (long)((y + 2 * reach) % rows) * w;
		if (y + reach < h) {
			memcpy(line, cells + (long)(y + reach) * w, sizeof *line * w);
			NAME(blurred_row)(line, w, weight, reach, next);
		} else {
			memset(next, 0, sizeof *next * w);
		}
		if (y < 0)
			continue;
		const float *row[2 * TW_BLUR_REACH + 1];
		for (int k = 0; k < rows; k++)
			row[k] = room + (long)((y + k) % rows) * w; // row y - reach + k
		float *out = cells + (long)y * w;
		for (int x = 0; x < w; x++) {
			float s = weight[0] * row[reach][x];
			for (int k = 1; k <= reach; k++)
				s += weight[k] * (row[reach - k][x] + row[reach + k][x]);
			out[x] = s;
		}
	}
}

// blur smooths h rows of w cells where they are, across and down, by a symmetric filter
// that reaches 1 to TW_BLUR_REACH cells. Beyond them there is nothing. room is for
// (2 reach + 2) w + 2 reach numbers.
static void NAME(blur)(float *cells, int w, int h, const float *weight, int reach, float *room)
{
	// Each with its loops unrolled.
	if (reach == 1)
		NAME(blurred_rows)(cells, w, h, weight, 1, room);
	else if (reach == 2)
		NAME(blurred_rows)(cells, w, h, weight, 2, room);
	else
		NAME(blurred_rows)(cells, w, h, weight, TW_BLUR_REACH, room);
}

// peaks lists the cells of h rows, from row *y on, neither the first nor the last, that
// hold no less than least and than the four beside them. It goes on while there is room
// for another row's, and leaves the next row in *y.
static int NAME(peaks)(const float *cells, int w, int h, int *y, float least, int32_t *out, int room)
{
	int n = 0, at = *y;
	for (; at < h - 1 && n + w <= room; at++) {
		const float *row = cells + (long)at * w;
		for (int from = 1; from < w - 1; from += 8) {
			const int to = from + 8 < w - 1 ? from + 8 : w - 1;
			if (to == from + 8) {
				// Hardly any is high enough.
				v8i high = (v8i)(*(const v8f *)(row + from) >= least);
				if (!NAME(which)(high))
					continue;
			}
			for (int x = from; x < to; x++) {
				const float v = row[x];
				if (v >= least && v >= row[x - 1] && v >= row[x + 1] && v >= row[x - w] && v >= row[x + w])
					out[n++] = at * w + x;
			}
		}
	}
	*y = at;
	return n;
}

// saddles is how much each pixel of a row from 3 to before w - 3 looks like the meeting
// of four squares of a chessboard (Bennett and Lasenby 2014), on the circle of 16 pixels
// three away from it. row is that pixel row, w apart from its neighbours.
static void NAME(saddles)(const uint8_t *row, int w, int16_t *restrict out)
{
	static const int dx[16] = {0, 1, 2, 3, 3, 3, 2, 1, 0, -1, -2, -3, -3, -3, -2, -1};
	static const int dy[16] = {-3, -3, -2, -1, 0, 1, 2, 3, 3, 3, 2, 1, 0, -1, -2, -3};
	const uint8_t *p[16];
	for (int k = 0; k < 16; k++)
		p[k] = row + (long)dy[k] * w + dx[k];
	for (int x = 3; x < w - 3; x++) {
		int16_t cross = row[x] + row[x - 1] + row[x + 1] + row[x - w] + row[x + w];
		int16_t sum = 0, apart = 0, same = 0, s[8];
		for (int k = 0; k < 8; k++) {
			int16_t a = p[k][x], b = p[k + 8][x], d = a - b;
			s[k] = a + b;
			sum += s[k];
			same += d < 0 ? -d : d;
		}
		for (int k = 0; k < 4; k++) {
			int16_t d = s[k] - s[k + 4];
			apart += d < 0 ? -d : d;
		}
		// Five times what the circle's mean, 16 times, is off the middle's.
		int16_t off = 5 * sum - 16 * cross;
		off = off < 0 ? -off : off;
		out[x] = apart - same - (uint16_t)off / 5;
	}
}
