// Luminance along straight lines. Included by loops.c.

// luminance adds, to each of n sums, the luminance at one place of a straight line,
// between the pixels of a photo, all of them inside it. share has what each code adds
// to it, by channel (red, green, blue).
static void NAME(luminance)(const uint8_t *bgr, long stride, double x, double y, double dx, double dy, int n, const double *share, double *sum)
{
	for (int i = 0; i < n; i++) {
		double u = x + i * dx, v = y + i * dy;
		int ix = (int)u, iy = (int)v;
		double fx = u - ix, fy = v - iy;
		const uint8_t *p = bgr + iy * stride + 3 * ix, *q = p + stride;
		double a = share[p[2]] + share[256 + p[1]] + share[512 + p[0]], b = share[p[5]] + share[256 + p[4]] + share[512 + p[3]];
		double c = share[q[2]] + share[256 + q[1]] + share[512 + q[0]], d = share[q[5]] + share[256 + q[4]] + share[512 + q[3]];
		a += fx * (b - a);
		c += fx * (d - c);
		sum[i] += a + fy * (c - a);
	}
}
