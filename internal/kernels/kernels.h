// The innermost loops of measuring, in C. See kernels.go.
#ifndef TAWSIGHT_KERNELS_H
#define TAWSIGHT_KERNELS_H

#include <stdint.h>

void tw_plain(int on);

typedef struct {
	float cx, cy;     // its middle
	float cos, sin;   // of the angle of its longer axis
	float pa, pb;     // one over its semi-axes
	float r;          // its mean radius
	float lo2, hi2;   // squares of how far in and out edges may lie, in radii
	float along2;     // square of the cosine that a gradient must have along the normal
	float tol;        // how far off edges may lie, px
} tw_ring;

#define TW_EIGHTH 9 // directions in an eighth of a turn

typedef struct {
	float *x, *y, *gx, *gy;
	int32_t *number;
} tw_edges;

typedef struct {
	float x, y, least, most; // its middle and its two radii
} tw_annulus;

int tw_around(float *x, float *y, float *gx, float *gy, const int32_t *first, int side, int w, int h, const tw_annulus *a, float mx, float my,
	      const tw_annulus *b, const uint8_t *fronts, float *ox, float *oy, float *ogx, float *ogy, int32_t *number);
int tw_nearest(const float *x, const float *y, const float *gx, const float *gy, const int32_t *number, int n, const tw_ring *e,
	       const float *tangents, const double *counts, int32_t *at, double *weight, double *sum);

// Profiles across an outline; see profile.go.
#define TW_STEPS 3
#define TW_ACROSS 5 // profiles averaged

typedef struct {
	int window, gap, inward, level, apart; // samples
	double noise_floor, onset, over_peak, shadow, levels, least, slope_least;
} tw_search;

typedef struct {
	double at, strength, width;
} tw_step;

typedef struct {
	int steps, slopes;
	tw_step step[TW_STEPS];
} tw_seen;

void tw_patch_row(const uint8_t *bgr, int n, long stride, const float *table, float *out);
void tw_along(const float *patch, int w, int h, double x, double y, double dx, double dy, int n, float *out);
void tw_profile(const float *raw, const int64_t *from, const double *weights, int n, const tw_search *ss,
		double *room, tw_seen *seen, double *steep);

// Places seen around a marble; see outline.go. Those of direction d are numbers
// ends[d] to before ends[d + 1], outermost first. The first five rows of numbers, and a
// sixth that is room, lie stride apart from x on.
typedef struct {
	float *x, *y, *speaks, *against, *width, *off;
	uint8_t *step;
	int32_t *seen, *ends;
} tw_places;

typedef struct {
	float cx, cy, cos, sin, pa, pb; // as in tw_ring
} tw_probe;

#define TW_SLOT 40 // numbers for a place each of eight directions

typedef struct {
	float tol, outside, soft, inner;
} tw_terms;

void tw_offs(const float *x, const float *y, int n, const tw_probe *e, float *off);
int tw_within(float *x, long stride, uint8_t *step, int32_t *seen, int32_t *ends, int dirs, const tw_probe *e, double reach, float *ox, long ostride,
	      uint8_t *ostep, int32_t *oseen, int32_t *oends);
void tw_take(float *x, long stride, uint8_t *step, int32_t *seen, int32_t *ends, const int32_t *dirs, int n, float *ox, long ostride, uint8_t *ostep,
	     int32_t *oseen, int32_t *oends);
double tw_agreement(float *x, long stride, uint8_t *step, int32_t *ends, int from, int to, const tw_probe *e, const tw_terms *t);
int tw_best(float *x, long stride, uint8_t *step, int32_t *ends, int few, int all, const double *ellipses, int n, double hopeless, const tw_terms *t,
	    float *room, int32_t *eights);
int tw_pick(float *x, long stride, uint8_t *step, int32_t *seen, int32_t *ends, int dirs, const tw_probe *e, float tol, float soft, int settled,
	    int32_t *place, int32_t *of, uint8_t *inner, float *off);

// Pictures; see picture.go. Tables by a number's own bits have steps of a 256th of the
// number: from FROM to the last number below what they end at.
#define TW_SHIFT 15
#define TW_TONE_FROM 0x1p-14f
#define TW_TONE_BELOW 0x1.fffffep0f
#define TW_CODE_FROM 0x1p-13f
#define TW_CODE_BELOW 0x1.fffffep-1f

void tw_across(const float *line, const int32_t *first, const float *weight, int count, int n, float *out);
void tw_encode(const float *rows, const int32_t *row, const float *weight, int count, int n, const int32_t *cell, const float *into,
	       const float *gain, const float *tone, const uint8_t *codes, const float *ends, uint8_t *out);
void tw_less(const uint8_t *here, const uint8_t *above, int n, int channels, uint8_t *out);

// Faces; see face.go.
#define TW_CELLS 8 // of the light over a face, along each side

typedef struct {
	float per, most; // steps of a tone curve a unit of the root of luminance, and the last
} tw_curve;

void tw_light_row(const uint8_t *bgr, int n, const float *linear, float *out);

void tw_between(const uint8_t *bgr, long stride, double x, double y, double dx, double dy, int n, const float *linear, float share, float limit,
		float *sum, uint8_t *full);
void tw_lab(const float *linear, int n, const float *m, double *out);
void tw_balance(float *line, int n, double u0, double v0, double du, double dv, const float *gain, const tw_curve *c, const float *factor,
		double *linear, double *luminance);

void tw_weighted_lab(const double *linear, int n, const float *m, double weight, float *out);
void tw_binomial(const double *up, const double *here, const double *down, const uint8_t *mask_up, const uint8_t *mask, const uint8_t *mask_down,
		 int n, uint8_t kind, double *out, uint8_t *mixed, double *room);

// Round things; see circle.go.
#define TW_ROUND 24
#define TW_ROUND_AT 3

typedef struct {
	int32_t first, n, at; // see Span
} tw_span;

void tw_round_votes(const float *dif, const float *mix, const float *all, const tw_span *spans, int rows, const int32_t *step,
		    const float *turned, float noise, float *votes);
float tw_round_vote(const float *tensor, int w, double x, double y, const double *radius, int count, const double *turn, const float *turned,
		    float noise);
void tw_tensor_row(const double *lab, int w, int n, float *out, double *all);
void tw_rings(const double *lab, int w, double x, double y, const double *radius, int count, const double *turn, const double *share,
	      double *out);

// Edges; see edges.go.
void tw_change(const uint8_t *bgr, int w, int h, int y, int16_t *out, int16_t *room);
void tw_saddles(const uint8_t *row, int w, int16_t *out);
void tw_slope_row(const uint8_t *bgr, int w, int h, int y, const int32_t *least, const float *unit, float *sx, float *sy, float *m2,
		  int16_t *room);
int tw_thin(const float *above, const float *here, const float *below, const float *sx, const float *sy, int w, float least,
	    const uint8_t *masked, int32_t *out);
void tw_vote(const float *x, const float *y, const float *gx, const float *gy, int n, float r, float per, int w, int h, float *cells);
#define TW_BLUR_REACH 3 // cells, at most

void tw_blur(float *cells, int w, int h, const float *weight, int reach, float *room);
int tw_peaks(const float *cells, int w, int h, int *y, float least, int32_t *out, int room);

// Light and rays; see light.go and cone.go.
void tw_luminance(const uint8_t *bgr, long stride, double x, double y, double dx, double dy, int n, const double *share, double *sum);
int tw_cone_sums(const double *ray, const int32_t *at, const double *weight, int n, double *xyz, double *out);

// Surfaces; see surface.go.
void tw_surface_sums(const double *x, const double *y, const double *value, long stride, int n, const double *coef, const double *scale,
		     double *weight, double *moments, double *sides);
int tw_surface_offs(const double *x, const double *y, const double *value, const double *weight, int n, const double *coef, double *out);

// Lines and masks; see lines.go and thin.go.
void tw_average(const double *at, int n, const double *weights, int count, double sum, double *out);

typedef struct {
	int wide, size;           // of the map and of the face, px
	double radius;            // of the marble, px
	double rim2, known2;      // squares of where the rim begins, radii, and of how far off the map knows a colour, px
	double weight;            // of lightness
	int steps, clear;         // at most, and past an edge
	uint8_t kinds, plain;     // bits of the mask, and what they are where colours are read
} tw_disc;

int tw_cut(const tw_disc *s, const int8_t *of, const double *far2, const double *lab, const uint8_t *mask, const double *arcs, const double *from,
	   const double *towards, int own, int8_t *colours, double *out, int32_t *edge);
int tw_ribs(const int8_t *of, int wide, double radius, double rim2, const double *arcs, int steps, const double *from, const double *towards,
	    int base, uint8_t *out);
int tw_thin_mask(uint8_t *mask, int w, int h, uint64_t *room, int32_t *cells);

// Colours told apart; see colours.go.
#define TW_COLOURS 8
#define TW_CUBE 0x1000000

void tw_steepness(const float *lab, const uint8_t *mask, int n, uint8_t bit, float *out, float *room);
void tw_closest(const float *lab, const int32_t *at, int n, const double *centre, int count, int8_t *of);
void tw_cubes(const float *lab, const int32_t *at, int n, float per, uint32_t *out);
void tw_inside(const int8_t *of, int n, uint8_t *in);
void tw_tally(const int8_t *of, const uint8_t *in, int n, int32_t *all, int32_t *those);
void tw_flat_around(const int8_t *of, const uint8_t *lead, int n, int reach, uint8_t *own, uint8_t *out, uint8_t *room);
void tw_largest(uint8_t *f, int n, int side, int wide);
int tw_meetings(const int8_t *of, int n, int32_t *out);

// Maps of colours; see map.go.
void tw_nearest_site(int n, const uint8_t *site, double *d2, int32_t *nearest, int64_t *num, int64_t *den, int32_t *last, int32_t *v, int32_t *g);
void tw_binomial_some(const double *field, int w, int h, double *out);
void tw_mirrored(const uint8_t *a, const uint8_t *b, int rings, int wide, int n, int32_t *seen, int32_t *same);

// Masks made wider; see grow.go.
void tw_grow(const uint8_t *mask, int w, int h, const uint16_t *disc, int r, uint8_t *out, int stride);

#endif
