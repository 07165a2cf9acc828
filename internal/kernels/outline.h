// How places that were seen agree with an outline. Included by loops.c.

// off is how far outside an ellipse eight places lie, along its normal to first order.
static inline __attribute__((always_inline)) v8f NAME(off)(v8f x, v8f y, const tw_probe *e)
{
	const float c = e->cos, s = e->sin, pa = e->pa, pb = e->pb, least = 1e-12f;
	v8f dx = x - e->cx, dy = y - e->cy;
	v8f u = (c * dx + s * dy) * pa, v = (c * dy - s * dx) * pb;
	v8f d2 = u * u + v * v + least; // the least makes the middle lie a semi-axis inside
	v8f gu = u * pa, gv = v * pb;
	// (d - 1) / (|gradient| / d)
	return (d2 - NAME(root)(d2)) / NAME(root)(gu * gu + gv * gv + least * (pb * pb));
}

// offs is how far outside an ellipse each of n places lies. The arrays have room for a
// multiple of eight.
static void NAME(offs)(const float *x, const float *y, int n, const tw_probe *e, float *off)
{
	for (int i = 0; i < n; i += 8)
		*(v8f *)(off + i) = NAME(off)(*(const v8f *)(x + i), *(const v8f *)(y + i), e);
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

// A slot has one place of each of eight directions: where it lies, what it says for an
// outline on it, what that is multiplied by, and what it says against one inside it.
typedef struct {
	v8f_full x, y, speaks, share, against;
} NAME(slot);

// laid lays directions from to before to side by side, eight after eight: as many slots
// for each eight as the fullest of them needs, and where those of each end. It returns
// how many eights there are.
static int NAME(laid)(const tw_places *p, int from, int to, const tw_terms *t, NAME(slot) *slots, int32_t *ends)
{
	int n = 0, eights = 0;
	for (int d = from; d < to; d += 8) {
		const int first = n;
		for (int k = 0; k < 8 && d + k < to; k++) {
			int covered = 0, s = first;
			for (int i = p->ends[d + k]; i < p->ends[d + k + 1]; i++, s++) {
				const int step = p->step[i], wide = p->width[i] > t->soft;
				if (s == n)
					slots[n++] = (NAME(slot)){{0}};
				slots[s].x[k] = p->x[i];
				slots[s].y[k] = p->y[i];
				slots[s].speaks[k] = p->speaks[i];
				slots[s].share[k] = (wide ? 0.1f : 1) * (!step || covered ? t->inner : 1);
				slots[s].against[k] = step && !covered && !wide ? t->outside * p->against[i] : 0;
				covered |= step && !wide;
			}
		}
		ends[eights++] = n;
	}
	return eights;
}

// together is the agreement of directions that were laid side by side.
static inline double NAME(together)(const NAME(slot) *slots, const int32_t *ends, int eights, const tw_probe *e, const tw_terms *t)
{
	const float tol = t->tol, per = 1 / (tol * tol);
	v4d score = {0};
	for (int g = 0, i = 0; g < eights; g++) {
		v8f best = {0}, against = {0};
		v8i ahead = {-1, -1, -1, -1, -1, -1, -1, -1}; // what follows one too deep lies deeper still
		for (; i < ends[g]; i++) {
			const NAME(slot) *s = slots + i;
			const v8f o = NAME(off)(s->x, s->y, e), w = s->speaks * (1 - o * o * per) * s->share;
			ahead &= (v8i)(o > -tol);
			const v8i near = ahead & (v8i)(o < tol), out = ahead & ~near;
			best = NAME(choice)(near & (v8i)(w > best), w, best);
			against += (v8f)((v8i)s->against & out);
		}
		for (int k = 0; k < 8; k += 4)
			score += (v4d){best[k], best[k + 1], best[k + 2], best[k + 3]} - (v4d){against[k], against[k + 1], against[k + 2], against[k + 3]};
	}
	return (score[0] + score[1]) + (score[2] + score[3]);
}

// best is which of n ellipses (middle, direction of the longer axis, semi-axes) all
// directions agree with best; -1 for none. The first few are asked first, and the others
// only where they agree with more than a share of what they say for the best so far.
// room is for the slots of all, and ends for as many numbers as there are eights.
static int NAME(best)(const tw_places *p, int few, int all, const double *ellipses, int n, double hopeless, const tw_terms *t, float *room, int32_t *ends)
{
	NAME(slot) *slots = (NAME(slot) *)(((uintptr_t)room + 31) & ~(uintptr_t)31);
	const int first = NAME(laid)(p, 0, few, t, slots, ends);
	NAME(slot) *more = first ? slots + ends[first - 1] : slots;
	const int rest = NAME(laid)(p, few, all, t, more, ends + first);
	int best = -1;
	double most = 0, most_first = 0;
	for (int i = 0; i < n; i++, ellipses += 6) {
		const double *q = ellipses;
		const tw_probe e = {q[0], q[1], q[2], q[3], 1 / q[4], 1 / q[5]};
		const double some = NAME(together)(slots, ends, first, &e, t);
		if (some < hopeless * most_first)
			continue;
		const double score = some + NAME(together)(more, ends + first, rest, &e, t);
		if (score > most) {
			most = score;
			most_first = some;
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
