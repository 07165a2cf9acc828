// Masks made wider. Included by loops.c.

// grow makes a mask of w x h wider by a disc r pixels large: each pixel of out is the
// most that the disc about any pixel of the mask leaves of it there. disc is 2 r + 1 rows,
// each filled up with zeros to a whole number of sixteens, of what it leaves of 256. out
// begins r rows above the mask and r pixels left of it, is blank, and has room for a
// row of the disc from any pixel on.
static void NAME(grow)(const uint8_t *mask, int w, int h, const uint16_t *disc, int r, uint8_t *out, int stride)
{
	const int side = 2 * r + 1, wide = (side + 15) / 16 * 16;
	for (int y = 0; y < h; y++) {
		const uint8_t *m = mask + (long)w * y;
		for (int x = 0; x < w; x++) {
			uint64_t next;
			while (x + 8 <= w && (memcpy(&next, m + x, 8), next == 0))
				x += 8; // most of a mask is empty
			if (x >= w)
				break;
			const uint16_t v = m[x];
			if (v == 0)
				continue;
			uint8_t *o = out + (long)stride * y + x;
			// What lies within a stroke adds nothing to what its neighbours do.
			if (v == 255 && x > 0 && y > 0 && x < w - 1 && y < h - 1 && m[x - 1] == 255 && m[x + 1] == 255 && m[x - w] == 255 &&
			    m[x + w] == 255) {
				o[(long)stride * r + r] = 255;
				continue;
			}
			for (int j = 0; j < side; j++)
				for (int k = 0; k < wide; k += 16) {
					const uint16_t *part = disc + wide * j + k;
					uint8_t *to = o + (long)stride * j + k;
					for (int i = 0; i < 16; i++) {
						uint8_t left = (uint8_t)((uint16_t)(v * part[i]) >> 8);
						to[i] = to[i] > left ? to[i] : left;
					}
				}
		}
	}
}
