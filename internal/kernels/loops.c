// The loops, compiled twice on x86: for every processor, and for those with AVX2,
// which works on eight numbers at once. Each call takes what the processor has.
// Neither fuses a multiplication with an addition, so both come to the same.

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "kernels.h"

// Four numbers at once: a sample's lightness and two colour differences, and a
// fourth that is always 0.
typedef float v4f __attribute__((vector_size(16), aligned(4)));
typedef float v8f_full __attribute__((vector_size(32)));
typedef float v8f __attribute__((vector_size(32), aligned(4)));
typedef double v4d __attribute__((vector_size(32), aligned(8)));
typedef int32_t v4i __attribute__((vector_size(16)));
typedef uint8_t v16c __attribute__((vector_size(16)));
typedef int32_t v8i __attribute__((vector_size(32)));
typedef int16_t v8s __attribute__((vector_size(16), aligned(2)));
typedef uint8_t v8c __attribute__((vector_size(8), aligned(1), may_alias));
typedef int64_t v4l __attribute__((vector_size(32)));
typedef uint8_t v32b __attribute__((vector_size(32), aligned(1), may_alias));

// A straight line through each channel.
typedef struct {
	v4d a, b;
} line4;

// The profile's running sums over the window, to fit lines by.
typedef struct {
	v4d s0, s1, s2;
} sums4;

static int plain; // for tests: only what every processor has

void tw_plain(int on) { plain = on; }

#define NAME(f) f##_any
#include "eight.h"
#include "edges.h"
#include "circle.h"
#include "profile.h"
#include "outline.h"
#include "picture.h"
#include "face.h"
#include "light.h"
#include "cone.h"
#include "lines.h"
#include "thin.h"
#include "colours.h"
#include "map.h"
#include "surface.h"
#include "grow.h"
#undef NAME

#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__)
#pragma GCC push_options
#pragma GCC target("avx2")
#define NAME(f) f##_avx2
#include "eight.h"
#include "edges.h"
#include "circle.h"
#include "profile.h"
#include "outline.h"
#include "picture.h"
#include "face.h"
#include "light.h"
#include "cone.h"
#include "lines.h"
#include "thin.h"
#include "colours.h"
#include "map.h"
#include "surface.h"
#include "grow.h"
#undef NAME
#pragma GCC pop_options
#define BEST(f) (!plain && __builtin_cpu_supports("avx2") ? f##_avx2 : f##_any)
#else
#define BEST(f) ((void)plain, f##_any)
#endif

int tw_around(float *x, float *y, float *gx, float *gy, const int32_t *first, int side, int w, int h, const tw_annulus *a, float mx, float my,
	      const tw_annulus *b, const uint8_t *fronts, float *ox, float *oy, float *ogx, float *ogy, int32_t *number)
{
	const tw_edges all = {x, y, gx, gy, 0}, out = {ox, oy, ogx, ogy, number};
	return BEST(around)(&all, first, side, w, h, a, mx, my, b, fronts, &out);
}

int tw_nearest(const float *x, const float *y, const float *gx, const float *gy, const int32_t *number, int n, const tw_ring *e,
	       const float *tangents, const double *counts, int32_t *at, double *weight, double *sum)
{
	return BEST(nearest)(x, y, gx, gy, number, n, e, tangents, counts, at, weight, sum);
}

void tw_patch_row(const uint8_t *bgr, int n, long stride, const float *table, float *out)
{
	BEST(patch_row)(bgr, n, stride, table, out);
}

void tw_along(const float *patch, int w, int h, double x, double y, double dx, double dy, int n, float *out)
{
	BEST(along)(patch, w, h, x, y, dx, dy, n, out);
}

void tw_profile(const float *raw, const int64_t *from, const double *weights, int n, const tw_search *ss,
		double *room, tw_seen *seen, double *steep)
{
	BEST(profile)(raw, from, weights, n, ss, room, seen, steep);
}

void tw_offs(const float *x, const float *y, int n, const tw_probe *e, float *off)
{
	BEST(offs)(x, y, n, e, off);
}

static tw_places places(float *x, long stride, uint8_t *step, int32_t *seen, int32_t *ends)
{
	return (tw_places){x, x + stride, x + 2 * stride, x + 3 * stride, x + 4 * stride, x + 5 * stride, step, seen, ends};
}

int tw_within(float *x, long stride, uint8_t *step, int32_t *seen, int32_t *ends, int dirs, const tw_probe *e, double reach, float *ox, long ostride,
	      uint8_t *ostep, int32_t *oseen, int32_t *oends)
{
	tw_places p = places(x, stride, step, seen, ends), o = places(ox, ostride, ostep, oseen, oends);
	return BEST(within)(&p, dirs, e, reach, &o);
}

void tw_take(float *x, long stride, uint8_t *step, int32_t *seen, int32_t *ends, const int32_t *dirs, int n, float *ox, long ostride, uint8_t *ostep,
	     int32_t *oseen, int32_t *oends)
{
	tw_places p = places(x, stride, step, seen, ends), o = places(ox, ostride, ostep, oseen, oends);
	BEST(take)(&p, dirs, n, &o);
}

double tw_agreement(float *x, long stride, uint8_t *step, int32_t *ends, int from, int to, const tw_probe *e, const tw_terms *t)
{
	tw_places p = places(x, stride, step, 0, ends);
	return BEST(agreement)(&p, from, to, e, t);
}

int tw_best(float *x, long stride, uint8_t *step, int32_t *ends, int few, int all, const double *ellipses, int n, double hopeless, const tw_terms *t,
	    float *room, int32_t *eights)
{
	tw_places p = places(x, stride, step, 0, ends);
	return BEST(best)(&p, few, all, ellipses, n, hopeless, t, room, eights);
}

int tw_pick(float *x, long stride, uint8_t *step, int32_t *seen, int32_t *ends, int dirs, const tw_probe *e, float tol, float soft, int settled,
	    int32_t *place, int32_t *of, uint8_t *inner, float *off)
{
	tw_places p = places(x, stride, step, seen, ends);
	return BEST(pick)(&p, dirs, e, tol, soft, settled, place, of, inner, off);
}

void tw_across(const float *line, const int32_t *first, const float *weight, int count, int n, float *out)
{
	BEST(across)(line, first, weight, count, n, out);
}

void tw_encode(const float *rows, const int32_t *row, const float *weight, int count, int n, const int32_t *cell, const float *into,
	       const float *gain, const float *tone, const uint8_t *codes, const float *ends, uint8_t *out)
{
	BEST(encode)(rows, row, weight, count, n, cell, into, gain, tone, codes, ends, out);
}

void tw_less(const uint8_t *here, const uint8_t *above, int n, int channels, uint8_t *out)
{
	BEST(less)(here, above, n, channels, out);
}

void tw_light_row(const uint8_t *bgr, int n, const float *linear, float *out)
{
	BEST(light_row)(bgr, n, linear, out);
}

void tw_between(const uint8_t *bgr, long stride, double x, double y, double dx, double dy, int n, const float *linear, float share, float limit,
		float *sum, uint8_t *full)
{
	BEST(between)(bgr, stride, x, y, dx, dy, n, linear, share, limit, sum, full);
}

void tw_lab(const float *linear, int n, const float *m, double *out)
{
	BEST(lab)(linear, n, m, out);
}

void tw_balance(float *line, int n, double u0, double v0, double du, double dv, const float *gain, const tw_curve *c, const float *factor,
		double *linear, double *luminance)
{
	BEST(balance)(line, n, u0, v0, du, dv, gain, c, factor, linear, luminance);
}

void tw_weighted_lab(const double *linear, int n, const float *m, double weight, float *out)
{
	BEST(weighted_lab)(linear, n, m, weight, out);
}

void tw_binomial(const double *up, const double *here, const double *down, const uint8_t *mask_up, const uint8_t *mask, const uint8_t *mask_down,
		 int n, uint8_t kind, double *out, uint8_t *mixed, double *room)
{
	const double *const light[3] = {up, here, down};
	const uint8_t *const masks[3] = {mask_up, mask, mask_down};
	BEST(binomial)(light, masks, n, kind, out, mixed, room);
}

void tw_round_votes(const float *dif, const float *mix, const float *all, const tw_span *spans, int rows, const int32_t *step,
		    const float *turned, float noise, float *votes)
{
	BEST(round_votes)(dif, mix, all, spans, rows, step, turned, noise, votes);
}

float tw_round_vote(const float *tensor, int w, double x, double y, const double *radius, int count, const double *turn, const float *turned,
		    float noise)
{
	return BEST(round_vote)(tensor, w, x, y, radius, count, turn, turned, noise);
}

void tw_tensor_row(const double *lab, int w, int n, float *out, double *all)
{
	BEST(tensor_row)(lab, w, n, out, all);
}

void tw_rings(const double *lab, int w, double x, double y, const double *radius, int count, const double *turn, const double *share,
	      double *out)
{
	BEST(rings)(lab, w, x, y, radius, count, turn, share, out);
}

void tw_change(const uint8_t *bgr, int w, int h, int y, int16_t *out, int16_t *room)
{
	BEST(change)(bgr, w, h, y, out, room);
}

void tw_slope_row(const uint8_t *bgr, int w, int h, int y, const int32_t *least, const float *unit, float *sx, float *sy, float *m2,
		  int16_t *room)
{
	BEST(slope_row)(bgr, w, h, y, least, unit, sx, sy, m2, room);
}

int tw_thin(const float *above, const float *here, const float *below, const float *sx, const float *sy, int w, float least,
	    const uint8_t *masked, int32_t *out)
{
	const float *const m2[3] = {above, here, below};
	return BEST(thin)(m2, sx, sy, w, least, masked, out);
}

void tw_saddles(const uint8_t *row, int w, int16_t *out)
{
	BEST(saddles)(row, w, out);
}

void tw_vote(const float *x, const float *y, const float *gx, const float *gy, int n, float r, float per, int w, int h, float *cells)
{
	BEST(vote)(x, y, gx, gy, n, r, per, w, h, cells);
}

void tw_blur(float *cells, int w, int h, const float *weight, int reach, float *room)
{
	BEST(blur)(cells, w, h, weight, reach, room);
}

int tw_peaks(const float *cells, int w, int h, int *y, float least, int32_t *out, int room)
{
	return BEST(peaks)(cells, w, h, y, least, out, room);
}

void tw_luminance(const uint8_t *bgr, long stride, double x, double y, double dx, double dy, int n, const double *share, double *sum)
{
	BEST(luminance)(bgr, stride, x, y, dx, dy, n, share, sum);
}

int tw_cone_sums(const double *ray, const int32_t *at, const double *weight, int n, double *xyz, double *out)
{
	return BEST(cone_sums)(ray, at, weight, n, xyz, out);
}

void tw_surface_sums(const double *x, const double *y, const double *value, long stride, int n, const double *coef, const double *scale,
		     double *weight, double *moments, double *sides)
{
	BEST(surface_sums)(x, y, value, stride, n, coef, scale, weight, moments, sides);
}

int tw_surface_offs(const double *x, const double *y, const double *value, const double *weight, int n, const double *coef, double *out)
{
	return BEST(surface_offs)(x, y, value, weight, n, coef, out);
}

void tw_average(const double *at, int n, const double *weights, int count, double sum, double *out)
{
	BEST(average)(at, n, weights, count, sum, out);
}

int tw_cut(const tw_disc *s, const int8_t *of, const double *far2, const double *lab, const uint8_t *mask, const double *arcs, const double *from,
	   const double *towards, int own, int8_t *colours, double *out, int32_t *edge)
{
	return BEST(cut)(s, of, far2, lab, mask, arcs, from, towards, own, colours, out, edge);
}

int tw_thin_mask(uint8_t *mask, int w, int h, uint64_t *room, int32_t *cells)
{
	return BEST(thin_mask)(mask, w, h, room, cells);
}

void tw_steepness(const float *lab, const uint8_t *mask, int n, uint8_t bit, float *out, float *room)
{
	BEST(steepness)(lab, mask, n, bit, out, room);
}

void tw_closest(const float *lab, const int32_t *at, int n, const double *centre, int count, int8_t *of)
{
	BEST(closest)(lab, at, n, centre, count, of);
}

void tw_cubes(const float *lab, const int32_t *at, int n, float per, uint32_t *out)
{
	BEST(cubes)(lab, at, n, per, out);
}

void tw_inside(const int8_t *of, int n, uint8_t *in)
{
	BEST(inside)(of, n, in);
}

void tw_tally(const int8_t *of, const uint8_t *in, int n, int32_t *all, int32_t *those)
{
	BEST(tally)(of, in, n, all, those);
}

void tw_flat_around(const int8_t *of, const uint8_t *lead, int n, int reach, uint8_t *own, uint8_t *out, uint8_t *room)
{
	BEST(flat_around)(of, lead, n, reach, own, out, room);
}

void tw_largest(uint8_t *f, int n, int side, int wide)
{
	BEST(largest)(f, n, side, wide);
}

int tw_meetings(const int8_t *of, int n, int32_t *out)
{
	return BEST(meetings)(of, n, out);
}

int tw_ribs(const int8_t *of, int wide, double radius, double rim2, const double *arcs, int steps, const double *from, const double *towards,
	    int base, uint8_t *out)
{
	return BEST(ribs)(of, wide, radius, rim2, arcs, steps, from, towards, base, out);
}

void tw_nearest_site(int n, const uint8_t *site, double *d2, int32_t *nearest, int64_t *num, int64_t *den, int32_t *last, int32_t *v, int32_t *g)
{
	BEST(nearest_site)(n, site, d2, nearest, num, den, last, v, g);
}

void tw_mirrored(const uint8_t *a, const uint8_t *b, int rings, int wide, int n, int32_t *seen, int32_t *same)
{
	BEST(mirrored)(a, b, rings, wide, n, seen, same);
}

void tw_grow(const uint8_t *mask, int w, int h, const uint16_t *disc, int r, uint8_t *out, int stride)
{
	BEST(grow)(mask, w, h, disc, r, out, stride);
}

void tw_binomial_some(const double *field, int w, int h, double *out)
{
	BEST(binomial_some)(field, w, h, out);
}
