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

int tw_annulus(const float *x, const float *y, const float *gx, const float *gy, int n, float cx, float cy, float lo2, float hi2,
	       float *ox, float *oy, float *ogx, float *ogy, int32_t *oi, int32_t first);
int tw_narrow(float *x, float *y, float *gx, float *gy, int32_t *at, int n, float cx, float cy, float lo2, float hi2);
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

void tw_patch_row(const uint8_t *bgr, int n, const float *table, float *out);
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

// Faces; see face.go.
#define TW_CELLS 8 // of the light over a face, along each side

typedef struct {
	float per, most; // steps of a tone curve a unit of the root of luminance, and the last
} tw_curve;

void tw_between(const uint8_t *bgr, long stride, double x, double y, double dx, double dy, int n, const float *table, float share, float limit,
		float *sum, uint8_t *full);
void tw_lab(const float *linear, int n, const float *m, double *out);
void tw_balance(float *line, int n, double u0, double v0, double du, double dv, const float *gain, const tw_curve *c, const float *factor,
		double *linear, double *luminance);

void tw_lab_of(const double *linear, int n, const float *m, double *out);

// Round things; see circle.go.
#define TW_ROUND 24
#define TW_ROUND_AT 3

void tw_round_votes(const float *dif, const float *mix, const float *all, int first, int n, const int32_t *step, const float *turned,
		    float noise, float *out);

// Edges; see edges.go.
void tw_change(const uint8_t *bgr, int w, int h, int y, int16_t *out, int16_t *room);
void tw_slope_row(const uint8_t *bgr, int w, int h, int y, const int32_t *least, const float *unit, float *sx, float *sy, float *m2,
		  int16_t *room);
int tw_thin(const float *above, const float *here, const float *below, const float *sx, const float *sy, int w, float least,
	    const uint8_t *masked, int32_t *out);
void tw_vote(const float *x, const float *y, const float *gx, const float *gy, int n, float r, float per, int w, int h, float *cells);
int tw_peaks(const float *cells, int w, int h, int *y, float least, int32_t *out, int room);

// Light and rays; see light.go and cone.go.
void tw_luminance(const uint8_t *bgr, long stride, double x, double y, double dx, double dy, int n, const double *share, double *sum);
int tw_cone_sums(const double *ray, const int32_t *at, const double *weight, int n, double *xyz, double *out);

// Surfaces; see surface.go.
void tw_surface_sums(const double *x, const double *y, const double *value, long stride, int n, const double *coef, const double *scale,
		     double *weight, double *moments, double *sides);
int tw_surface_offs(const double *x, const double *y, const double *value, const double *weight, int n, const double *coef, double *out);

#endif
