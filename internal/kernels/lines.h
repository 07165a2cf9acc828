// Lines of places. Included by loops.c.

// average smooths n places, two numbers each, by count weights that add up to sum: of
// each place the first of those weighed is that of the same number in at, which has
// count - 1 more. Eight places at a time, so that their sums need not wait for each
// other.
static void NAME(average)(const double *restrict at, int n, const double *restrict weights, int count, double sum, double *restrict out)
{
	int i = 0;
	for (; i + 16 <= 2 * n; i += 16) {
		v4d s[4] = {{0}};
		for (int k = 0; k < count; k++)
			for (int j = 0; j < 4; j++)
				s[j] += weights[k] * *(const v4d *)(at + i + 2 * k + 4 * j);
		for (int j = 0; j < 4; j++)
			*(v4d *)(out + i + 4 * j) = s[j] / sum;
	}
	for (; i < 2 * n; i++) {
		double s = 0;
		for (int k = 0; k < count; k++)
			s += weights[k] * at[i + 2 * k];
		out[i] = s / sum;
	}
}
