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
		const float *p = lab + 3 * at[i];
		const v4f l = {p[0], p[1], p[2], 0};
		const v4i c = __builtin_convertvector(l * per + 128, v4i);
		out[i] = (c[0] | c[1] | c[2]) & ~255 ? 0 : TW_CUBE | c[0] << 16 | c[1] << 8 | c[2];
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

// tally counts the pixels of each of TW_COLOURS colours, and those of them that are in,
// 32 at a time.
static void NAME(tally)(const int8_t *of, const uint8_t *in, int n, int32_t *all, int32_t *those)
{
	const int whole = n / 32 * 32;
	for (int k = 0; k < TW_COLOURS; k++) {
		const v32b colour = (v32b){0} + (uint8_t)k;
		int32_t a = 0, b = 0;
		for (int from = 0; from < whole;) {
			// A byte counts to no more than 255.
			const int to = whole - from < 255 * 32 ? whole : from + 255 * 32;
			v32b some = {0}, which = {0};
			for (; from < to; from += 32) {
				v32b is = (v32b)(*(const v32b *)(of + from) == colour);
				some -= is;
				which += is & *(const v32b *)(in + from);
			}
			for (int j = 0; j < 32; j++) {
				a += some[j];
				b += which[j];
			}
		}
		for (int i = whole; i < n; i++) {
			a += of[i] == k;
			b += (of[i] == k) & in[i];
		}
		all[k] = a;
		those[k] = b;
	}
}

// spread gives each of n bytes, and up to 31 more, what is largest, or else the bits, of
// the side bytes step apart that begin there, by twice as many each time.
static inline __attribute__((always_inline)) void NAME(spread)(uint8_t *f, int n, int side, int step, int most)
{
	for (int done = 1; done < side;) {
		const int by = 2 * done <= side ? done : side - done;
		done += by;
		for (int i = 0; i < n + (side - done) * step; i += 32) {
			v32b a = *(const v32b *)(f + i), b = *(const v32b *)(f + i + by * step);
			v32b larger = (v32b)(a > b);
			*(v32b *)(f + i) = most ? (a & larger) | (b & ~larger) : a | b;
		}
	}
}

// largest gives each of n bytes, and up to 31 more, the largest of the side by side bytes
// that begin there, rows being wide bytes apart.
static void NAME(largest)(uint8_t *f, int n, int side, int wide)
{
	NAME(spread)(f, n + (side - 1) * wide, side, 1, 1);
	NAME(spread)(f, n, side, wide, 1);
}

// flat_around is which colours, a bit each, pixels that lead have within reach to all
// sides of each pixel of an n by n face; and in own those of the pixel itself. lead is 0
// or 255; room is for the face with reach to all sides, and for 2 reach + 64 numbers more.
static void NAME(flat_around)(const int8_t *restrict of, const uint8_t *restrict lead, int n, int reach, uint8_t *restrict own,
			      uint8_t *restrict out, uint8_t *restrict room)
{
	int i = 0;
	for (; i + 32 <= n * n; i += 32) {
		const v32b o = *(const v32b *)(of + i);
		v32b bits = {0};
		for (int k = 0; k < TW_COLOURS; k++)
			bits |= (v32b)(o == (uint8_t)k) & (uint8_t)(1 << k);
		*(v32b *)(own + i) = bits & *(const v32b *)(lead + i);
	}
	for (; i < n * n; i++)
		own[i] = of[i] < 0 ? 0 : 1 << of[i] & lead[i];
	// With nothing around them: down the columns, then along the rows.
	const int wide = n + 2 * reach, side = 2 * reach + 1;
	memset(room, 0, wide * wide + side + 63);
	for (int y = 0; y < n; y++)
		memcpy(room + (y + reach) * wide + reach, own + y * n, n);
	NAME(spread)(room, n * wide + side - 1, side, wide, 0);
	NAME(spread)(room, n * wide, side, 1, 0);
	for (int y = 0; y < n; y++)
		memcpy(out + y * n, room + y * wide, n);
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
