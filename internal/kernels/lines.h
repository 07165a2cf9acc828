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

// cut goes from a place on the sphere, a unit vector, along the great circle towards a
// unit tangent, and notes at each step the colour that a map has there and the face's
// weighted CIELAB between its pixels; as far as it is seen within the rim, and clear
// steps past where the map's colour is no longer own. It returns the number of steps,
// and in edge the first of another colour, -1 for none, where the map knows it.
static int NAME(cut)(const tw_disc *s, const int8_t *of, const double *far2, const double *lab, const uint8_t *mask, const double *arcs,
		     const double *from, const double *towards, int own, int8_t *colours, double *out, int32_t *edge)
{
	const double middle = (s->wide - 1) / 2.0, centre = (s->size - 1) / 2.0;
	const v4d weight = {s->weight, 1, 1, 0};
	int j = 0;
	*edge = -1;
	for (; j < s->steps; j++) {
		const double cos = arcs[2 * j], sin = arcs[2 * j + 1];
		const double x = from[0] * cos + towards[0] * sin, y = from[1] * cos + towards[1] * sin;
		if (!(from[2] * cos + towards[2] * sin > 0 && x * x + y * y < s->rim2))
			break;
		const int cell = (int)(y * s->radius + middle + 0.5) * s->wide + (int)(x * s->radius + middle + 0.5);
		const int8_t o = of[cell];
		if (*edge < 0 && o != own) {
			if (far2[cell] > s->known2)
				break;
			*edge = j;
		}
		if (*edge >= 0 && j > *edge + s->clear)
			break;
		const double u = x * s->radius + centre, v = y * s->radius + centre;
		const int ix = (int)u, iy = (int)v;
		if (u < 0 || v < 0 || ix + 1 >= s->size || iy + 1 >= s->size)
			break;
		const int k = iy * s->size + ix;
		const uint8_t *m = mask + k, *n = m + s->size;
		if (((m[0] ^ s->plain) | (m[1] ^ s->plain) | (n[0] ^ s->plain) | (n[1] ^ s->plain)) & s->kinds)
			break;
		const double fu = u - ix, fv = v - iy;
		const double g0 = (1 - fu) * (1 - fv), g1 = fu * (1 - fv), g2 = (1 - fu) * fv, g3 = fu * fv;
		// As in rings.
		const double *a = lab + 3 * k, *b = a + 3 * s->size;
		v4d a0 = *(const v4d *)a, a1 = *(const v4d *)(a + 2), b0 = *(const v4d *)b, b1 = *(const v4d *)(b + 2);
		const v4l on = {1, 2, 3, 3};
		v4d l = (g0 * a0 + g1 * __builtin_shuffle(a1, on) + g2 * b0 + g3 * __builtin_shuffle(b1, on)) * weight;
		colours[j] = o;
		out[3 * j] = l[0];
		out[3 * j + 1] = l[1];
		out[3 * j + 2] = l[2];
	}
	return j;
}

// ribs goes along the same circle from steps before the place to as many after it, and
// notes where the map has a colour other than base, 0 or 1; within the rim, from the
// last place before the middle that lies beyond it. It returns how many places it notes.
static int NAME(ribs)(const int8_t *of, int wide, double radius, double rim2, const double *arcs, int steps, const double *from,
		      const double *towards, int base, uint8_t *out)
{
	const double middle = (wide - 1) / 2.0;
	int n = 0;
	for (int j = -steps; j <= steps; j++) {
		const double cos = arcs[2 * abs(j)], sin = j < 0 ? -arcs[-2 * j + 1] : arcs[2 * j + 1];
		const double x = from[0] * cos + towards[0] * sin, y = from[1] * cos + towards[1] * sin;
		if (!(from[2] * cos + towards[2] * sin > 0 && x * x + y * y < rim2)) {
			if (j >= 0)
				break;
			n = 0;
			continue;
		}
		const int8_t o = of[(int)(y * radius + middle + 0.5) * wide + (int)(x * radius + middle + 0.5)];
		out[n++] = o >= 0 && o != base;
	}
	return n;
}
