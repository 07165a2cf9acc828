// The colours of a face told apart. Included by loops.c. Colours are three numbers each;
// of has the number of each pixel's colour, below 0 for none.

// apart is the squared distances of n colours from as many others.
static inline __attribute__((always_inline)) void NAME(apart)(const float *a, const float *b, int n, float *restrict out)
{
	float square[3 * 64];
	for (int from = 0; from < n; from += 64) {
		const int some = n - from < 64 ? n - from : 64;
		for (int i = 0; i < 3 * some; i++) {
			float d = a[3 * from + i] - b[3 * from + i];
			square[i] = d * d;
		}
		for (int x = 0; x < some; x++)
			out[from + x] = square[3 * x] + square[3 * x + 1] + square[3 * x + 2];
	}
}

// steepness is the largest squared distance of each pixel of an n by n face from those
// beside it, between pixels that have the bit in the mask. room is for 2 n numbers.
static void NAME(steepness)(const float *lab, const uint8_t *mask, int n, uint8_t bit, float *restrict out, float *restrict room)
{
	float *right = room, *below = room + n;
	memset(out, 0, n * sizeof *out);
	for (int y = 0; y < n; y++) {
		const float *here = lab + 3 * y * n;
		const uint8_t *m = mask + y * n;
		float *o = out + y * n;
		NAME(apart)(here, here + 3, n - 1, right);
		for (int x = 0; x < n - 1; x++)
			right[x] = m[x] & m[x + 1] & bit ? right[x] : 0;
		right[n - 1] = 0;
		o[0] = o[0] > right[0] ? o[0] : right[0];
		for (int x = 1; x < n; x++) {
			float v = right[x - 1] > right[x] ? right[x - 1] : right[x];
			o[x] = o[x] > v ? o[x] : v;
		}
		if (y + 1 == n)
			break;
		NAME(apart)(here, here + 3 * n, n, below);
		for (int x = 0; x < n; x++) {
			float v = m[x] & m[x + n] & bit ? below[x] : 0;
			o[x] = o[x] > v ? o[x] : v;
			o[x + n] = v;
		}
	}
}

// closest is which of count centres is the nearest to each of the pixels at, the first
// of those equally near.
static void NAME(closest)(const float *lab, const int32_t *at, int n, const double *centre, int count, int8_t *of)
{
	for (int from = 0; from < n; from += 4) {
		v4d v[3];
		for (int j = 0; j < 4; j++) {
			const float *l = lab + 3 * at[from + j < n ? from + j : n - 1];
			for (int k = 0; k < 3; k++)
				v[k][j] = l[k];
		}
		v4d best = {INFINITY, INFINITY, INFINITY, INFINITY};
		v4l which = {0};
		for (int k = 0; k < count; k++) {
			v4d a = centre[3 * k] - v[0], b = centre[3 * k + 1] - v[1], c = centre[3 * k + 2] - v[2];
			v4d d = a * a + b * b + c * c;
			v4l nearer = (v4l)(d < best);
			best = (v4d)(((v4l)d & nearer) | ((v4l)best & ~nearer));
			which = (k & nearer) | (which & ~nearer);
		}
		for (int j = 0; j < 4 && from + j < n; j++)
			of[at[from + j]] = (int8_t)which[j];
	}
}

// cubes is in which cube of colour each of the pixels at lies: a byte for each number,
// times per from the middle of 256, and TW_CUBE; 0 beyond.
static void NAME(cubes)(const float *lab, const int32_t *at, int n, float per, uint32_t *out)
{
	for (int i = 0; i < n; i++) {
		const float *l = lab + 3 * at[i];
		int32_t x = (int32_t)(l[0] * per + 128), y = (int32_t)(l[1] * per + 128), z = (int32_t)(l[2] * per + 128);
		out[i] = (x | y | z) & ~255 ? 0 : TW_CUBE | x << 16 | y << 8 | z;
	}
}

// inside says of which pixels of an n by n face, its first and its last row aside, the
// four beside them are of the same colour or of none.
static void NAME(inside)(const int8_t *restrict of, int n, uint8_t *restrict in)
{
	memset(in, 0, n);
	memset(in + n * n - n, 0, n);
	for (int i = n; i < n * n - n; i++) {
		int8_t o = of[i], l = of[i - 1], r = of[i + 1], u = of[i - n], d = of[i + n];
		in[i] = (l < 0 | l == o) & (r < 0 | r == o) & (u < 0 | u == o) & (d < 0 | d == o);
	}
}

// tally counts the pixels of each of TW_COLOURS colours, and those of them that are in.
static void NAME(tally)(const int8_t *of, const uint8_t *in, int n, int32_t *all, int32_t *those)
{
	for (int k = 0; k < TW_COLOURS; k++) {
		int32_t a = 0, b = 0;
		for (int i = 0; i < n; i++) {
			a += of[i] == k;
			b += (of[i] == k) & in[i];
		}
		all[k] = a;
		those[k] = b;
	}
}

// flat_around is which colours, a bit each, pixels that lead have within reach to all
// sides of each pixel of an n by n face; and in own those of the pixel itself. lead is 0
// or 255; room is for n + 2 reach numbers for each row.
static void NAME(flat_around)(const int8_t *restrict of, const uint8_t *restrict lead, int n, int reach, uint8_t *restrict own,
			      uint8_t *restrict out, uint8_t *restrict room)
{
	for (int i = 0; i < n * n; i++) {
		uint8_t bit = 0;
		for (int k = 0; k < TW_COLOURS; k++)
			bit |= of[i] == k ? 1 << k : 0;
		own[i] = bit & lead[i];
	}
	// Down the columns, with nothing to both sides, then along the rows.
	const int wide = n + 2 * reach;
	memset(room, 0, wide * n);
	for (int y = 0; y < n; y++) {
		uint8_t *r = room + y * wide + reach;
		const int from = y > reach ? y - reach : 0, to = y + reach < n ? y + reach : n - 1;
		for (int b = from; b <= to; b++)
			for (int x = 0; x < n; x++)
				r[x] |= own[b * n + x];
		uint8_t *o = out + y * n;
		memcpy(o, r - reach, n);
		for (int a = 1; a <= 2 * reach; a++)
			for (int x = 0; x < n; x++)
				o[x] |= r[x + a - reach];
	}
}

// meetings is where two colours meet along the rows and down the columns of an n by n
// face: twice the number of the first pixel, and one more where the second lies below.
// It returns how many there are.
static int NAME(meetings)(const int8_t *of, int n, int32_t *out)
{
	const uint64_t low = 0x7f7f7f7f7f7f7f7f;
	int count = 0;
	for (int y = 0; y < n; y++)
		for (int down = 0; down <= 1; down++) {
			const int8_t *a = of + y * n, *b = down ? a + n : a + 1;
			const int pairs = down ? (y + 1 < n ? n : 0) : n - 1;
			for (int x = 0; x < pairs; x += 8) {
				uint64_t u = 0, v = 0;
				const int some = pairs - x < 8 ? pairs - x : 8;
				if (some == 8) {
					memcpy(&u, a + x, 8);
					memcpy(&v, b + x, 8);
				} else {
					memcpy(&u, a + x, some);
					memcpy(&v, b + x, some);
				}
				uint64_t d = u ^ v;
				if (d == 0)
					continue;
				// The top bit of each byte where they differ and both are colours.
				uint64_t meet = (((d & low) + low) | d) & ~(u | v) & ~low;
				for (; meet; meet &= meet - 1)
					out[count++] = 2 * (y * n + x + __builtin_ctzll(meet) / 8) + down;
			}
		}
	return count;
}
