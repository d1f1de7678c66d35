// What every item of a scene may touch of the detector in every view, for the lists of project.cu; see project.shadows.

#define LARGE 1e30f

// Kinds of items, as in load.py.
enum { JOINT, NECK, COPPER_IN_AIR, SUNK, REST };

// First and last + 1 pixel whose area may reach into low .. high on one detector axis that begins at `start`.
__device__ __forceinline__ void span_of(float low, float high, float start, float pixel_mm, int count, short &first,
                                        short &last) {
    first = (short)max(0, (int)floorf(fmaxf(__fdiv_rn(low - start, pixel_mm), -30000.0f)));
    last = (short)min(count, (int)ceilf(fminf(__fdiv_rn(high - start, pixel_mm), 30000.0f)) + 1);
}

struct Panel {
    float u0, v0, pixel_mm, distance;
    int rows, columns;
};

// footprints.footprint: rows and columns that a ball may touch.
__device__ short4 footprint(const float *centre, float radius, const float *frame, const Panel &panel) {
    const float wx = centre[0] - frame[0], wy = centre[1] - frame[1], wz = centre[2] - frame[2];
    const float depth = wx * frame[9] + wy * frame[10] + wz * frame[11];
    short4 out = make_short4(0, 0, 0, 0);
    if (depth <= radius || radius <= 0.0f) return out;
    const float across = wx * frame[3] + wy * frame[4] + wz * frame[5];
    const float down = wx * frame[6] + wy * frame[7] + wz * frame[8];
    const float square = depth * depth - radius * radius, scale = __fdiv_rn(panel.distance, square);
    const float tall = radius * __fsqrt_rn(down * down + square), wide = radius * __fsqrt_rn(across * across + square);
    span_of(scale * (down * depth - tall), scale * (down * depth + tall), panel.v0, panel.pixel_mm, panel.rows, out.x, out.y);
    span_of(scale * (across * depth - wide), scale * (across * depth + wide), panel.u0, panel.pixel_mm, panel.columns,
            out.z, out.w);
    return out;
}

// footprints.outline: rows and columns under the boxes of primitives begin .. end - 1.
__device__ short4 outline(const float *corners, int begin, int end, const float *frame, const Panel &panel) {
    float low_u = LARGE, high_u = -LARGE, low_v = LARGE, high_v = -LARGE;
    for (int n = 8 * begin; n < 8 * end; n++) {
        const float wx = corners[3 * n] - frame[0], wy = corners[3 * n + 1] - frame[1], wz = corners[3 * n + 2] - frame[2];
        const float depth = wx * frame[9] + wy * frame[10] + wz * frame[11];
        if (depth <= 0.0f) return make_short4(0, (short)panel.rows, 0, (short)panel.columns);
        const float scale = __fdiv_rn(panel.distance, depth);
        const float u = scale * (wx * frame[3] + wy * frame[4] + wz * frame[5]);
        const float v = scale * (wx * frame[6] + wy * frame[7] + wz * frame[8]);
        low_u = fminf(low_u, u), high_u = fmaxf(high_u, u), low_v = fminf(low_v, v), high_v = fmaxf(high_v, v);
    }
    short4 out;
    span_of(low_v, high_v, panel.v0, panel.pixel_mm, panel.rows, out.x, out.y);
    span_of(low_u, high_u, panel.u0, panel.pixel_mm, panel.columns, out.z, out.w);
    return out;
}

// The ball about an item as rays of a view see it: its centre from the source, which times a ray's direction is no less than
// the last number where they meet. It is wider than it is: by `aside`, how far sub-rays lie from the middle of their pixel at
// a distance of 1, and by what rounding may hide.
__device__ float4 seen_ball(const float *centre, float radius, const float *frame, float aside) {
    const float x = centre[0] - frame[0], y = centre[1] - frame[1], z = centre[2] - frame[2], square = x * x + y * y + z * z;
    const float reach = radius + aside * (sqrtf(square) + radius), rest = square * (1.0f - 2e-6f) - reach * reach;
    return make_float4(x, y, z, rest > 0.0f ? sqrtf(rest) : -LARGE);
}

extern "C" __global__ void shadows(const float4 *balls, int primitives, const float *corners, const int4 *items, int n_items,
                                   const float *joint_centre, const float *joint_radius, const int *neck_rows,
                                   const float *frames, const float *u0, const float *v0, float pixel_mm, float distance,
                                   int rows, int columns, const float *neck_centre, const float *neck_radius,
                                   int edge, short4 *out, float4 *seen, float *ways) {
    const int k = blockIdx.x * blockDim.x + threadIdx.x, view = blockIdx.y;
    if (k >= n_items) return;
    const float *frame = frames + 12 * view;
    const Panel panel = {u0[view], v0[view], pixel_mm, distance, rows, columns};
    const int kind = items[k].x, owner = items[k].y;
    short4 found = make_short4(0, 0, 0, 0);
    if (kind == JOINT || k >= primitives) {
        found = footprint(joint_centre + 3 * owner, joint_radius[owner], frame, panel);
        if (kind == JOINT) {
            const float4 ball = balls[k];
            const float centre[3] = {ball.x, ball.y, ball.z};
            const short4 own = footprint(centre, ball.w, frame, panel);
            found.x = max(found.x, own.x), found.y = min(found.y, own.y);
            found.z = max(found.z, own.z), found.w = min(found.w, own.w);
            // Lands and gaps are flat: their boxes are tighter than their balls.
            const short4 box = outline(corners, k, k + 1, frame, panel);
            found.x = max(found.x, box.x), found.y = min(found.y, box.y);
            found.z = max(found.z, box.z), found.w = min(found.w, box.w);
        }
    } else if (kind == NECK) found = outline(corners, neck_rows[2 * owner], neck_rows[2 * owner + 1], frame, panel);
    else if (kind != REST) found = outline(corners, k, k + 1, frame, panel);
    const size_t at = (size_t)view * n_items + k;
    out[at] = found;
    if (k >= primitives) return;
    const float4 ball = balls[k];
    const float own[3] = {ball.x, ball.y, ball.z}, *middle = kind == JOINT ? joint_centre + 3 * owner : own;
    const float aside = (0.71f * (float)(edge - 1) / (float)edge + 0.01f) * pixel_mm / distance;
    seen[at] = kind == NECK ? seen_ball(neck_centre + 3 * owner, neck_radius[owner], frame, aside) : seen_ball(own, ball.w, frame, aside);
    const float x = middle[0] - frame[0], y = middle[1] - frame[1], z = middle[2] - frame[2];
    ways[at] = sqrtf(x * x + y * y + z * z);
}
