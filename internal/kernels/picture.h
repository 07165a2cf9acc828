// Pictures cut out of a photo, balanced and encoded. Included by loops.c.

// across makes a row of a photo, four numbers a pixel, into one of n pixels, each the
// sum of count weighted pixels from first on.
static void NAME(across)(const float *line, const int32_t *first, const float *weight, int count, int n, float *out)
{
	const v4f *p = (const v4f *)line;
	v4f *o = (v4f *)out;
	if (count == 2) {
		for (int i = 0; i < n; i++)
			o[i] = weight[2 * i] * p[first[i]] + weight[2 * i + 1] * p[first[i] + 1];
		return;
	}
	for (int i = 0; i < n; i++) {
		v4f s = weight[count * i] * p[first[i]];
		for (int k = 1; k < count; k++)
			s += weight[count * i + k] * p[first[i] + k];
		o[i] = s;
	}
}

static inline __attribute__((always_inline)) v4f NAME(least)(v4f a, v4f b)
{
	v4i lower = (v4i)(a < b);
	return (v4f)(((v4i)a & lower) | ((v4i)b & ~lower));
}

static inline __attribute__((always_inline)) v4f NAME(most)(v4f a, v4f b)
{
	v4i higher = (v4i)(a > b);
	return (v4f)(((v4i)a & higher) | ((v4i)b & ~higher));
}

// encode adds up count weighted rows of n pixels, balances what comes of it, and
// writes it as 8-bit codes, opaque. gain has each cell's first and how it changes over
// it; tone, which may be null, the factor for a luminance by its bits.
static void NAME(encode)(const float *rows, const int32_t *row, const float *weight, int count, int n, const int32_t *cell, const float *into,
			 const float *gain, const float *tone, const uint8_t *codes, const float *ends, uint8_t *out)
{
	const v4f *r = (const v4f *)rows, *g = (const v4f *)gain;
	for (int i = 0; i < n; i++) {
		v4f c = weight[0] * r[row[0] + i];
		for (int k = 1; k < count; k++)
			c += weight[k] * r[row[k] + i];
		const v4f *at = g + 2 * cell[i];
		c *= at[0] + into[i] * at[1];
		if (tone) {
			float y = 0.2126f * c[0] + 0.7152f * c[1] + 0.0722f * c[2];
			// Below and above the table the curve is at its bounds, or all is
			// black or white in any case.
			y = y > TW_TONE_FROM ? y : TW_TONE_FROM;
			y = y < TW_TONE_BELOW ? y : TW_TONE_BELOW;
			int32_t bits, from;
			const float least = TW_TONE_FROM;
			memcpy(&bits, &y, 4);
			memcpy(&from, &least, 4);
			c *= tone[(bits - from) >> TW_SHIFT];
		}
		const float low = TW_CODE_FROM, high = TW_CODE_BELOW;
		c = NAME(least)(NAME(most)(c, (v4f){low, low, low, low}), (v4f){high, high, high, high});
		v4i at_code = ((v4i)c - (v4i)(v4f){low, low, low, low}) >> TW_SHIFT;
		for (int k = 0; k < 3; k++) {
			uint8_t code = codes[at_code[k]];
			out[4 * i + k] = code + (c[k] >= ends[code]);
		}
		out[4 * i + 3] = 255;
	}
}

// less writes what each byte of a row of pixels, four bytes each, is more than the one
// above, byte by byte and without the fourth where channels is 3. Up to four bytes are
// written past the last.
static void NAME(less)(const uint8_t *here, const uint8_t *above, int n, int channels, uint8_t *out)
{
	int i = 0;
	for (; i + 4 <= n; i += 4) {
		v16c a, b;
		memcpy(&a, here + 4 * i, 16);
		memcpy(&b, above + 4 * i, 16);
		a -= b;
		if (channels == 3)
			a = __builtin_shufflevector(a, a, 0, 1, 2, 4, 5, 6, 8, 9, 10, 12, 13, 14, 3, 7, 11, 15);
		memcpy(out + channels * i, &a, 16);
	}
	for (; i < n; i++)
		for (int k = 0; k < channels; k++)
			out[channels * i + k] = here[4 * i + k] - above[4 * i + k];
}
