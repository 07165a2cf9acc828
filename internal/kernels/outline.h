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

// agreement adds up, over directions from to before to, what the strongest place near
// the ellipse says for it, less what a step outside says against it.
static double NAME(agreement)(const tw_places *p, int from, int to, const tw_probe *e, const tw_terms *t, float *off)
{
	const int first = p->ends[from];
	const float tol = t->tol, per = 1 / (tol * tol), soft = t->soft;
	double score = 0;
	NAME(offs)(p->x + first, p->y + first, p->ends[to] - first, e, off);
	off -= first;
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

// pick chooses in each direction the place that serves the ellipse best: within tol of
// it, the nearest; or, settled, the outermost step.
static int NAME(pick)(const tw_places *p, int dirs, const tw_probe *e, float tol, float soft, int settled, float *off, tw_picked *out)
{
	int n = 0;
	NAME(offs)(p->x, p->y, p->ends[dirs], e, off);
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
		if (best >= 0)
			out[n++] = (tw_picked){best, inner, off[best]};
	}
	return n;
}
