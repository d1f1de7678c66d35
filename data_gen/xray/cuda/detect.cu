// The detector of detect.py in CUDA C: blur, scatter, noise, read-out, log and cosine weight in two passes.
// A block takes a tile of one view. Narrow blurs, of TAPS known to the compiler, read their neighbours from the cache, and no
// thread waits for another; wide ones (TAPS 0) go through shared memory, along the rows first. Random numbers are hashes
// of (seed, view, pixel, purpose), so that every run draws the same bits.



#ifdef __CUDACC__
__device__ __forceinline__ unsigned short half_bits(float value) {
    unsigned short out;
    asm("cvt.rn.f16.f32 %0, %1;" : "=h"(out) : "f"(value));
    return out;
}
#endif

#define WIDE 64
#define TALL 32
#define THREADS 256
#define GROUPS (THREADS / WIDE)
#define RUN (TALL / GROUPS)
#define REACH 12
#define RIM (2 * REACH)
#define COARSE RUN
#ifndef TAPS
#define TAPS 0
#endif
#ifndef BLOCKS
#define BLOCKS 5
#endif
#define MOST 200
#define PHOTONS 1u
#define ELECTRONICS 2u

// What does not change within a scan; as `SETTINGS` of detect.py.
struct Settings {
    unsigned low, high;
    int rows, columns, scatter_rows, scatter_columns, drifts, degree;
    float photons, few, read, steps, full_scale, last, floor, end, pixel_mm, distance, scatter, glare;
};

__device__ __forceinline__ unsigned mixed(unsigned h) {
    h = (h ^ h >> 16) * 0x21F0AAADu;
    h = (h ^ h >> 15) * 0xD35A2D97u;
    return h ^ h >> 15;
}

// The part of the hash that all pixels of a view share.
struct Key {
    unsigned pixels, view;
    __device__ __forceinline__ Key(const Settings &s, unsigned view, unsigned purpose)
        : pixels(mixed(s.low)), view(mixed(mixed(s.high ^ view * 0x85EBCA6Bu) + purpose * 0x9E3779B9u)) {}
    __device__ __forceinline__ unsigned bits(unsigned pixel) const { return mixed(mixed(pixels ^ pixel) + view); }
};

__device__ __forceinline__ float uniform(unsigned bits) { return (float)(bits >> 8) * 5.9604644775390625e-8f + 2.98023223876953125e-8f; }

// Box and Muller: normal numbers of a pixel in an even row and of the one below it, who share their hashes.
__device__ __forceinline__ void normals(const Key &key, unsigned pixel, float &upper, float &lower) {
    const unsigned one = key.bits(pixel), other = mixed(one ^ 0x68BC21EBu);
    const float far = sqrtf(-2.0f * __logf(uniform(one))), turn = 6.28318530718f * (uniform(other) - 0.5f);
    upper = far * __cosf(turn), lower = far * __sinf(turn);
}

__device__ __forceinline__ float normal(const Key &key, int row, int column, int columns) {
    float upper, lower;
    normals(key, (row & ~1) * columns + column, upper, lower);
    return row & 1 ? lower : upper;
}

// The Poisson number whose cumulative share first passes `drawn`.
__device__ __noinline__ float poisson(float mean, float drawn) {
    float share = expf(-mean), total = share;
    int k = 0;
    while (drawn > total && k < MOST) {
        k++;
        share *= mean / (float)k;
        total += share;
    }
    return (float)k;
}

__device__ __forceinline__ int clamped(int i, int size) { return min(max(i, 0), size - 1); }

#if TAPS
// RUN rows from `row` of a column, blurred; `edged` where some neighbours lie beyond the detector, whose edge they repeat.
template <bool EDGED>
__device__ __forceinline__ void cached(const float *image, const float *taps, const Settings &s, int row, int column, float *out) {
    float weights[TAPS];
    int aside[TAPS];
#pragma unroll
    for (int t = 0; t < TAPS; t++) {
        weights[t] = __ldg(taps + t);
        aside[t] = EDGED ? clamped(column + t - TAPS / 2, s.columns) : t;
    }
#pragma unroll
    for (int k = 0; k < RUN; k++) out[k] = 0.0f;
    const float *line = EDGED ? image : image + (size_t)(row - TAPS / 2) * s.columns + column - TAPS / 2;
#pragma unroll
    for (int i = 0; i < RUN + TAPS - 1; i++) {
        const float *here = EDGED ? line + (size_t)clamped(row + i - TAPS / 2, s.rows) * s.columns : line + (size_t)i * s.columns;
        float value = 0.0f;
#pragma unroll
        for (int t = 0; t < TAPS; t++) value += weights[t] * __ldg(here + aside[t]);
#pragma unroll
        for (int t = 0; t < TAPS; t++)
            if (i - t >= 0 && i - t < RUN) out[i - t] += weights[t] * value;
    }
}

__device__ __forceinline__ void blurred(const float *image, const float *taps, const Settings &s, int row, int column, float *out) {
    const int reach = TAPS / 2;
    if (column >= reach && column + reach < s.columns && row >= reach && row + RUN + reach <= s.rows)
        cached<false>(image, taps, s, row, column, out);
    else cached<true>(image, taps, s, row, column, out);
}
#else
// A tile and its rim blurred along the rows, into `half`.
__device__ __forceinline__ void along(const float *image, const float *weights, int taps, const Settings &s, int row0,
                                      int column0, float (*raw)[WIDE + RIM], float (*half)[WIDE]) {
    const int reach = taps / 2, rim = taps - 1, lane = threadIdx.x & 31;
#pragma unroll 3
    for (int r = threadIdx.x >> 5; r < TALL + rim; r += THREADS / 32) {
        const float *line = image + (size_t)clamped(row0 + r - reach, s.rows) * s.columns;
#pragma unroll
        for (int c = lane; c < WIDE; c += 32) raw[r][c] = line[clamped(column0 + c - reach, s.columns)];
    }
    // The last columns of the rim, where a warp a row would be idle for the most part.
    for (int i = threadIdx.x; i < (TALL + rim) * rim; i += THREADS) {
        const int r = i / rim, c = WIDE + i - r * rim;
        raw[r][c] = image[(size_t)clamped(row0 + r - reach, s.rows) * s.columns + clamped(column0 + c - reach, s.columns)];
    }
    __syncthreads();
    const int c = threadIdx.x % WIDE;
#pragma unroll 3
    for (int r = threadIdx.x / WIDE; r < TALL + rim; r += GROUPS) {
        float total = 0.0f;
        for (int t = 0; t < taps; t++) total += weights[t] * raw[r][c + t];
        half[r][c] = total;
    }
    __syncthreads();
}

// The run of RUN rows from row r of column c, blurred down the columns.
__device__ __forceinline__ void down(const float (*half)[WIDE], const float *weights, int taps, int r, int c, float *out) {
#pragma unroll
    for (int k = 0; k < RUN; k++) {
        out[k] = 0.0f;
        for (int t = 0; t < taps; t++) out[k] += weights[t] * half[r + k + t][c];
    }
}
#endif

// Scattered signal of a column between the middles of blocks of pixels.
struct Coarse {
    int left, right;
    float share;
    __device__ __forceinline__ Coarse(int i, int size) {
        float at = ((float)i - 0.5f * (COARSE - 1)) * (1.0f / COARSE);
        at = fminf(fmaxf(at, 0.0f), (float)(size - 1));
        left = min((int)at, max(size - 2, 0)), right = min(left + 1, size - 1), share = at - (float)left;
    }
    __device__ __forceinline__ float of(const float *line) const { return line[left] + share * (line[right] - line[left]); }
};

extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS) expose(const float *signal, const float *variance, const float *taps,
                                                             int count, const float *scatter, const float *outputs,
                                                             const Settings *settings, int first_view, float *noisy) {
    const Settings s = *settings;
    const int view = blockIdx.z, row0 = blockIdx.y * TALL, column0 = blockIdx.x * WIDE;
    const size_t image = (size_t)view * s.rows * s.columns;
    const int c = threadIdx.x % WIDE, column = column0 + c, begin = threadIdx.x / WIDE * RUN, row = row0 + begin;
    const float output = outputs[first_view + view];
    float means[RUN], spreads[RUN];
#if TAPS
    if (column >= s.columns || row >= s.rows) return;
    blurred(signal + image, taps, s, row, column, means);
    blurred(variance + image, taps, s, row, column, spreads);
#else
    __shared__ float raw[TALL + RIM][WIDE + RIM], half[TALL + RIM][WIDE], other[TALL + RIM][WIDE], weights[RIM + 1];
    if (threadIdx.x < count) weights[threadIdx.x] = taps[threadIdx.x];
    __syncthreads();
    along(signal + image, weights, count, s, row0, column0, raw, half);
    along(variance + image, weights, count, s, row0, column0, raw, other);
    if (column >= s.columns || row >= s.rows) return;
    down(half, weights, count, begin, c, means);
    down(other, weights, count, begin, c, spreads);
#endif
    const Key key(s, first_view + view, PHOTONS);
    // A run is one block of scatter: its upper half lies between the block above and its own, its lower half between its
    // own and the block below. One row and one column more than there are blocks; the last number of a view is its mean.
    float above = 0.0f, own = 0.0f, below = 0.0f;
    const bool smooth = s.scatter > 0.0f || s.glare > 0.0f;
    if (smooth) {
        const Coarse across(column, s.scatter_columns);
        const int pitch = s.scatter_columns + 1, block = row / COARSE;
        const float *scattered = scatter + (size_t)view * (s.scatter_rows + 1) * pitch;
        const float even = scattered[(s.scatter_rows + 1) * pitch - 1];
        above = 0.5f * (across.of(scattered + max(block - 1, 0) * pitch) + even);
        own = 0.5f * (across.of(scattered + block * pitch) + even);
        below = 0.5f * (across.of(scattered + min(block + 1, s.scatter_rows - 1) * pitch) + even);
    }
    const float quanta = s.photons > 0.0f ? 1.0f / s.photons : 0.0f;
    float *line = noisy + image + (size_t)row * s.columns + column;
    float upper = 0.0f, lower = 0.0f;
#pragma unroll
    for (int k = 0; k < RUN; k++, line += s.columns) {
        if (row + k >= s.rows) return;
        const unsigned pixel = (row + k) * s.columns + column;
        float mean = means[k], spread = spreads[k], glare = 0.0f;
        if (smooth) {
            // Scattered quanta are taken to have the mean energy, so their variance per quantum is their signal.
            const float share = ((float)(k % COARSE) + 0.5f) * (1.0f / COARSE);
            const float lost = share < 0.5f ? above + (share + 0.5f) * (own - above) : own + (share - 0.5f) * (below - own);
            const float extra = fmaxf(s.scatter * lost, 0.0f);
            glare = s.glare * output * (1.0f - lost + extra);
            mean += extra, spread += extra;
        }
        mean *= output, spread *= output;
        if (s.photons > 0.0f) {
            if (k % 2 == 0) normals(key, pixel, upper, lower);
            spread *= quanta;
            if (mean * mean < s.few * spread) {
                const float quantum = spread / mean;
                mean = quantum * poisson(mean / quantum, uniform(key.bits(pixel)));
            } else mean += sqrtf(spread) * (k % 2 == 0 ? upper : lower);
        }
        // Light of very many quanta: no noise of its own.
        *line = (1.0f - s.glare) * mean + glare;
    }
}

// What the panel of one scan adds to a pixel.
struct Panel { const float *gain, *drift, *curve; };

// What the electronics of one pixel make of its signal at one view, with a normal number for their noise.
__device__ __forceinline__ float converted(float mean, unsigned pixel, float moment, float drawn, const Panel &p,
                                           const Settings &s) {
    mean += s.read * drawn;
    float sensitivity = p.gain[pixel];
    if (s.drifts) sensitivity += moment * p.drift[pixel];
    mean *= sensitivity;
    if (s.steps > 0.0f) mean = fminf(fmaxf(truncf(mean * s.steps + 0.5f), 0.0f), s.steps * s.full_scale) * (1.0f / s.steps);
    return mean;
}

// Where line integrals go: without the cosine weight if `flat`, in half precision if `narrow`.
struct Kind {
    int flat, narrow;
    void *out;
};

// Line integral of a measured value: clamped, undone of hardening.
__device__ __forceinline__ float finished(float value, int row, int column, const float *curve, const Settings &s,
                                          const Kind &kind) {
    value = -__logf(fmaxf(value, s.floor));
    if (s.degree > 0) {
        const float within = fminf(fmaxf(value, 0.0f), s.end);
        float straight = 0.0f;
        for (int k = s.degree - 1; k >= 0; k--) straight = (straight + curve[k]) * within;
        value = straight + (value > s.end ? curve[s.degree] : curve[0]) * (value - within);
    }
    if (!kind.flat) {
        const float u = ((float)column - 0.5f * (float)(s.columns - 1)) * s.pixel_mm;
        const float v = ((float)row - 0.5f * (float)(s.rows - 1)) * s.pixel_mm;
        value *= s.distance * rsqrtf(s.distance * s.distance + u * u + v * v);
    }
    return value;
}

__device__ __forceinline__ void put(const Kind &kind, size_t at, float value) {
    if (kind.narrow) ((unsigned short *)kind.out)[at] = half_bits(value);
    else ((float *)kind.out)[at] = value;
}

extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS) read_out(const float *noisy, const float *taps, int count,
                                                               const float *gain, const float *drift, const float *curve,
                                                               const Settings *settings, int first_view, int flat,
                                                               int narrow, void *out) {
    const Settings s = *settings;
    const Kind kind = {flat, narrow, out};
    const Panel p = {gain, drift, curve};
    const int view = blockIdx.z, row0 = blockIdx.y * TALL, column0 = blockIdx.x * WIDE;
    const size_t image = (size_t)view * s.rows * s.columns;
    const int c = threadIdx.x % WIDE, column = column0 + c, begin = threadIdx.x / WIDE * RUN, row = row0 + begin;
    float means[RUN];
#if TAPS
    if (column >= s.columns || row >= s.rows) return;
    blurred(noisy + image, taps, s, row, column, means);
#else
    __shared__ float raw[TALL + RIM][WIDE + RIM], half[TALL + RIM][WIDE], weights[RIM + 1];
    if (threadIdx.x < count) weights[threadIdx.x] = taps[threadIdx.x];
    __syncthreads();
    along(noisy + image, weights, count, s, row0, column0, raw, half);
    if (column >= s.columns || row >= s.rows) return;
    down(half, weights, count, begin, c, means);
#endif
    const Key key(s, first_view + view, ELECTRONICS);
    const float moment = (float)(first_view + view) / s.last;
    float upper = 0.0f, lower = 0.0f;
#pragma unroll
    for (int k = 0; k < RUN; k++) {
        if (row + k >= s.rows) return;
        const unsigned pixel = (row + k) * s.columns + column;
        if (k % 2 == 0 && s.read > 0.0f) normals(key, pixel, upper, lower);
        const float mean = converted(means[k], pixel, moment, k % 2 == 0 ? upper : lower, p, s);
        put(kind, image + pixel, finished(mean, row + k, column, p.curve, s, kind));
    }
}

// Bad pixels anew from their neighbours, which are read out once more: the log of those is clamped already.
extern "C" __global__ void fill_in(const float *noisy, const float *taps, int count, const float *gain, const float *drift,
                                   const float *curve, const Settings *settings, int first_view, int flat, int narrow,
                                   const int *bad, const float *filling, int pixels, void *out) {
    const Settings s = *settings;
    const Kind kind = {flat, narrow, out};
    const int k = blockIdx.x * blockDim.x + threadIdx.x, view = blockIdx.y;
    if (k >= pixels) return;
    const size_t image = (size_t)view * s.rows * s.columns;
    const Panel p = {gain, drift, curve};
    const Key key(s, first_view + view, ELECTRONICS);
    const float moment = (float)(first_view + view) / s.last;
    const int row = bad[3 * k] / s.columns, column = bad[3 * k] - row * s.columns, reach = count / 2;
    float value = 0.0f, share = 1.0f - filling[2 * k];
    for (int side = 1; side < 3; side++) {
        const int beside = bad[3 * k + side] - row * s.columns;
        float mean = 0.0f;
        for (int i = 0; i < count; i++) {
            const float *line = noisy + image + (size_t)clamped(row + i - reach, s.rows) * s.columns;
            float part = 0.0f;
            for (int t = 0; t < count; t++) part += taps[t] * line[clamped(beside + t - reach, s.columns)];
            mean += taps[i] * part;
        }
        const float drawn = s.read > 0.0f ? normal(key, row, beside, s.columns) : 0.0f;
        value += share * converted(mean, bad[3 * k + side], moment, drawn, p, s);
        share = filling[2 * k];
    }
    put(kind, image + bad[3 * k], finished(value * filling[2 * k + 1], row, column, curve, s, kind));
}

// One minus the mean of every block of pixels, which is what scatter and glare come from.
extern "C" __global__ void absorbed(const float *signal, int rows, int columns, int down, int across, int views, float *out) {
    const int k = blockIdx.x * blockDim.x + threadIdx.x;
    if (k >= views * down * across) return;
    const int view = k / (down * across), row = (k / across - view * down) * COARSE, column = k % across * COARSE;
    const int last = min(row + COARSE, rows), end = min(column + COARSE, columns);
    float total = 0.0f;
    for (int r = row; r < last; r++) {
        const float *line = signal + ((size_t)view * rows + r) * columns;
        if (end == column + COARSE && columns % 4 == 0) {
            const float4 a = *(const float4 *)(line + column), b = *(const float4 *)(line + column + 4);
            total += ((a.x + a.y) + (a.z + a.w)) + ((b.x + b.y) + (b.z + b.w));
        } else for (int c = column; c < end; c++) total += line[c];
    }
    out[k] = 1.0f - total / (float)((last - row) * (end - column));
}
