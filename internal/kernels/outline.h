// How places that were seen agree with an outline. Included by loops.c.

// offs is how far outside an ellipse each of n places lies, along its normal to first
// order. The arrays have room for a multiple of eight.
static void NAME(offs)(const float *x, const float *y, int n, const tw_probe *e, float *off)
{
	const float c = e->cos, s = e->sin, pa = e->pa, pb = e->pb, least = 1e-12f;
	for (int i = 0; i < n; i += 8) {
		v8f dx = *(const v8f *)(x + i) - e->cx, dy = *(const v8f *)(y + i) - e->cy;
		v8f u = (c * dx + s * dy) * pa, v = (c * dy - s * dx) * pb;
		v8f d2 = u * u + v * v + least; // the least makes the middle lie a semi-axis inside
		v8f gu = u * pa, gv = v * pb;
		// (d - 1) / (|gradient| / d)
		*(v8f *)(off + i) = (d2 - NAME(root)(d2)) / NAME(root)(gu * gu + gv * gv + least * (pb * pb));
	}
}

// append adds places from to before to of others, which are now n, as a direction of
// their own.
static inline __attribute__((always_inline)) void NAME(append)(const tw_places *p, int from, int to, const tw_places *o, int *n, int *dirs)
{
	int k = *n;
	for (int i = from; i < to; i++, k++) {
		o->x[k] = p->x[i];
		o->y[k] = p->y[i];
		o->speaks[k] = p->speaks[i];
		o->against[k] = p->against[i];
		o->width[k] = p->width[i];
		o->step[k] = p->step[i];
		o->seen[k] = p->seen[i];
	}
	*n = k;
	o->ends[++*dirs] = k;
}

// within takes in each direction what lies within reach of an ellipse, from the first
// that lies no farther out to before the first that lies farther in. It returns in how
// many directions there is any.
static int NAME(within)(const tw_places *p, int dirs, const tw_probe *e, double reach, const tw_places *o)
{
	int n = 0, some = 0;
	NAME(offs)(p->x, p->y, p->ends[dirs], e, p->off);
	o->ends[0] = 0;
	for (int d = 0; d < dirs; d++) {
		const int last = p->ends[d + 1];
		int from = p->ends[d];
		while (from < last && p->off[from] > reach)
			from++;
		int to = from;
		while (to < last && p->off[to] > -reach)
			to++;
		if (from < to)
			NAME(append)(p, from, to, o, &n, &some);
	}
	return some;
}

// take takes n directions.
static void NAME(take)(const tw_places *p, const int32_t *dirs, int n, const tw_places *o)
{
	int k = 0, some = 0;
	o->ends[0] = 0;
	for (int i = 0; i < n; i++)
		NAME(append)(p, p->ends[dirs[i]], p->ends[dirs[i] + 1], o, &k, &some);
}

// agreement adds up, over directions from to before to, what the strongest place near
// the ellipse says for it, less what a step outside says against it.
static double NAME(agreement)(const tw_places *p, int from, int to, const tw_probe *e, const tw_terms *t)
{
	const int first = p->ends[from];
	const float tol = t->tol, per = 1 / (tol * tol), soft = t->soft;
	const float *off = p->off - first;
	double score = 0;
	NAME(offs)(p->x + first, p->y + first, p->ends[to] - first, e, p->off);
	for (int d = from; d < to; d++) {
		float best = 0;
		int covered = 0;
		for (int i = p->ends[d]; i < p->ends[d + 1]; i++) {
			const float o = off[i];
			if (o <= -tol)
				break; // and what follows lies deeper still
			const int step = p->step[i], wide = p->width[i] > soft;
			if (o < tol) {
				float w = p->speaks[i] * (1 - o * o * per);
				if (wide)
					w *= 0.1f;
				if (!step || covered)
					w *= t->inner;
				if (w > best)
					best = w;
			} else if (step && !covered && !wide) {
				score -= t->outside * p->against[i];
			}
			covered |= step && !wide;
		}
		score += best;
	}
	return score;
}

// best is which of n ellipses (middle, direction of the longer axis, semi-axes) all
// directions agree with best; -1 for none. The first few are asked first, and the others
// only where they agree with more than a share of what they say for the best so far.
static int NAME(best)(const tw_places *p, int few, int all, const double *ellipses, int n, double hopeless, const tw_terms *t)
{
	int best = -1;
	double most = 0, most_first = 0;
	for (int i = 0; i < n; i++, ellipses += 6) {
		const double *q = ellipses;
		const tw_probe e = {q[0], q[1], q[2], q[3], 1 / q[4], 1 / q[5]};
		const double first = NAME(agreement)(p, 0, few, &e, t);
		if (first < hopeless * most_first)
			continue;
		const double score = first + NAME(agreement)(p, few, all, &e, t);
		if (score > most) {
			most = score;
			most_first = first;
			best = i;
		}
	}
	return best;
}

// pick chooses in each direction the place that serves the ellipse best: within tol of
// it, the nearest; or, settled, the outermost step.
static int NAME(pick)(const tw_places *p, int dirs, const tw_probe *e, float tol, float soft, int settled, int32_t *place, int32_t *seen, uint8_t *inners,
		      float *offs)
{
	const float *off = p->off;
	int n = 0;
	NAME(offs)(p->x, p->y, p->ends[dirs], e, p->off);
	for (int d = 0; d < dirs; d++) {
		int best = -1, covered = 0, inner = 0;
		for (int i = p->ends[d]; i < p->ends[d + 1]; i++) {
			const float o = off[i];
			if (o >= tol) {
				covered |= p->step[i] && p->width[i] <= soft;
				continue;
			}
			if (o <= -tol)
				continue;
			if (settled && p->step[i]) {
				best = i;
				inner = covered;
				break;
			}
			if (best < 0 || fabsf(o) < fabsf(off[best])) {
				best = i;
				inner = covered || !p->step[i];
			}
		}
		if (best < 0)
			continue;
		place[n] = best;
		seen[n] = p->seen[best];
		inners[n] = inner;
		offs[n++] = off[best];
	}
	return n;
}
