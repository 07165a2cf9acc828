// Masks worn down to lines. Included by loops.c.

#define TWO(a, b, c, d) (((a) & (b)) | ((c) & (d)) | (((a) | (b)) & ((c) | (d)))) // two or more of the four

// wear does half a round, the first or the second, on 64 cells of each row: a bit each
// in here, those to the west of them in left and to the east in right. There is a row
// more above and below. It says whether any cell goes.
static inline __attribute__((always_inline)) int NAME(wear)(const uint64_t *restrict left, const uint64_t *restrict here, const uint64_t *restrict right,
							    uint64_t *restrict out, int rows, int first)
{
	uint64_t any = 0;
	for (int y = 1; y <= rows; y++) {
		uint64_t c = here[y], n = here[y - 1], s = here[y + 1];
		uint64_t e = c >> 1 | right[y] << 63, ne = n >> 1 | right[y - 1] << 63, se = s >> 1 | right[y + 1] << 63;
		uint64_t w = c << 1 | left[y] >> 63, nw = n << 1 | left[y - 1] >> 63, sw = s << 1 | left[y + 1] >> 63;
		// One run of neighbours only, so that nothing is cut in two.
		uint64_t r1 = ~e & (ne | n), r2 = ~n & (nw | w), r3 = ~w & (sw | s), r4 = ~s & (se | e);
		uint64_t gone = c & (r1 | r2 | r3 | r4) & ~TWO(r1, r2, r3, r4);
		// Neither an end nor inside.
		uint64_t a1 = e | ne, a2 = n | nw, a3 = w | sw, a4 = s | se;
		uint64_t b1 = ne | n, b2 = nw | w, b3 = sw | s, b4 = se | e;
		gone &= TWO(a1, a2, a3, a4) & TWO(b1, b2, b3, b4) & ~(a1 & a2 & a3 & a4 & b1 & b2 & b3 & b4);
		gone &= first ? ~((ne | n | ~se) & e) : ~((sw | s | ~nw) & w);
		out[y] = c & ~gone;
		any |= gone;
	}
	return any != 0;
}

// thin wears a mask w wide and h high, whose border is unset, down to lines one cell
// wide, and gives the cells that are left, in order. It is algorithm A1 of Z. Guo and
// R. W. Hall, Parallel thinning with two-subiteration algorithms, Communications of the
// ACM 32(3) (1989) 359-373, on 64 cells of several rows at a time, a bit each. room is
// for two grids of h + 2 words by w / 64 + 3, column by column.
static int NAME(thin_mask)(uint8_t *mask, int w, int h, uint64_t *room, int32_t *cells)
{
	// A column of nothing to both sides, a row of nothing above and below.
	const int wide = (w + 63) / 64, high = h + 2, size = (wide + 2) * high;
	uint64_t *from = room, *to = room + size;
	memset(room, 0, 2 * size * sizeof *room);
	for (int y = 0; y < h; y++)
		for (int x = 0; x < w; x += 8) {
			uint64_t eight = 0;
			memcpy(&eight, mask + y * w + x, w - x < 8 ? w - x : 8);
			// The lowest bit of each byte, one beside the other.
			from[(1 + x / 64) * high + 1 + y] |= eight * 0x0102040810204080 >> 56 << x % 64;
		}
	for (int half = 1, still = 0; still < 2; half++) {
		int any = 0;
		for (int k = 1; k <= wide; k++) {
			const uint64_t *here = from + k * high, *left = here - high, *right = here + high;
			any |= half % 2 ? NAME(wear)(left, here, right, to + k * high, h, 1) : NAME(wear)(left, here, right, to + k * high, h, 0);
		}
		still = any ? 0 : still + 1;
		uint64_t *worn = to;
		to = from;
		from = worn;
	}
	memset(mask, 0, w * h);
	int n = 0;
	for (int y = 0; y < h; y++)
		for (int k = 0; k < wide; k++)
			for (uint64_t set = from[(1 + k) * high + 1 + y]; set; set &= set - 1) {
				const int i = y * w + 64 * k + __builtin_ctzll(set);
				mask[i] = 1;
				cells[n++] = i;
			}
	return n;
}
