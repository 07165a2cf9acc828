// Eight numbers at once. Included by loops.c.

// which of eight comparisons hold, as bits.
static inline __attribute__((always_inline)) unsigned NAME(which)(v8i m)
{
#if defined(__AVX__)
	return __builtin_ia32_movmskps256((v8f_full)m);
#elif defined(__SSE__)
	v4f a = (v4f)(v4i){m[0], m[1], m[2], m[3]}, b = (v4f)(v4i){m[4], m[5], m[6], m[7]};
	return __builtin_ia32_movmskps(a) | __builtin_ia32_movmskps(b) << 4;
#else
	unsigned bits = 0;
	for (int i = 0; i < 8; i++)
		bits |= (unsigned)(m[i] & 1) << i;
	return bits;
#endif
}

static inline __attribute__((always_inline)) uint32_t NAME(bits)(float v)
{
	uint32_t b;
	memcpy(&b, &v, sizeof b);
	return b;
}

static inline __attribute__((always_inline)) v8f NAME(choice)(v8i of, v8f a, v8f b) { return (v8f)(((v8i)a & of) | ((v8i)b & ~of)); }
static inline __attribute__((always_inline)) v8f NAME(size)(v8f v) { return (v8f)((v8i)v & INT32_MAX); }

static inline __attribute__((always_inline)) v8f NAME(root)(v8f v)
{
#if defined(__AVX__)
	return __builtin_ia32_sqrtps256(v);
#elif defined(__SSE__)
	v4f a = __builtin_ia32_sqrtps((v4f){v[0], v[1], v[2], v[3]}), b = __builtin_ia32_sqrtps((v4f){v[4], v[5], v[6], v[7]});
	return (v8f){a[0], a[1], a[2], a[3], b[0], b[1], b[2], b[3]};
#else
	for (int i = 0; i < 8; i++)
		v[i] = sqrtf(v[i]);
	return v;
#endif
}
