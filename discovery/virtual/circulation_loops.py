"""The closed loop in compiled code: derivatives of 28 states and the fixed-step integration."""

from __future__ import annotations

import numpy as np

from discovery.kernels.compiled import compiled, inlined

DENSITY = 1.06 / 1333.22  # blood, mmHg.s2/cm2
FASTEST_LEAFLET = 300.0  # 1/s
NEVER_SHUT = 1e-4  # cm2: keeps the column of a shut valve defined
ONSET_S = 0.090  # activation is switched on over this time
RELEASE_S = 0.120  # and off over this one
RELEASE_ATRIUM_S = 0.060

# Places of the states.
V_RA, V_RV, V_P1, V_P2, V_PV, V_LA, V_LV, V_S1, V_S2, V_SV, V_SC = range(11)
Q_TV, Q_PV, Q_MV, Q_AV, Q_P, Q_S = range(11, 17)
Z_TV, Z_PV, Z_MV, Z_AV = range(17, 21)
SEPTUM, E_RV, E_LV, E_AT = range(21, 25)
STATES = 25
VOLUMES = 11
# Places of the outputs: pressures against atmosphere in mmHg, volumes mL, flows mL/s.
(
    P_RV, P_PA, P_CV, P_RA, P_LA, P_LV, P_AO, P_PERI, O_V_RV, O_V_LV, O_V_RA, O_Q_PV, O_Q_TV, O_Q_AV,
    O_E_RV, O_VOLUME, P_PVEIN,
) = range(17)  # fmt: skip
OUTPUTS = 17


@compiled
def step_up(x):
    """A smooth step from 0 at x = 0 to 1 at x = 1, twice differentiable."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    return x * x * x * (10.0 + x * (6.0 * x - 15.0))


@compiled
def valve(q, opening, area, leak, length, open_rate, close_rate, gradient, resistance):
    """Change of the flow through a valve and of its opening, for the pressure across it."""
    a = leak + opening * (area - leak) + NEVER_SHUT
    flow = a * (gradient - resistance * q) / (DENSITY * length) - q * abs(q) / (2.0 * a * length)
    if gradient > 0.0:
        rate = open_rate * gradient
        rate = rate / (1.0 + rate / FASTEST_LEAFLET)
        return flow, (1.0 - opening) * rate
    rate = -close_rate * gradient
    rate = rate / (1.0 + rate / FASTEST_LEAFLET)
    return flow, -opening * rate


@compiled
def chamber(volume, activation, ees, v0, a, k, v):
    """Transmural pressure of a chamber without outflow, and its active part."""
    active = activation * ees * (volume - v0)
    return active, (1.0 - activation) * a * (np.exp(k * (volume - v)) - 1.0)


@compiled
def pressures(y, p, chest, out):
    """Pressures and the other outputs of a state; `chest` is intrathoracic pressure."""
    heart = y[V_RA] + y[V_RV] + y[V_LA] + y[V_LV] + p.effusion
    around = p.peri_p * np.exp((heart - p.peri_v) / p.peri_s) + chest
    active, rest = chamber(
        y[V_RV] + y[SEPTUM], y[E_RV], p.rv_ees, p.rv_v0, p.rv_passive_a, p.rv_passive_k, p.rv_passive_v
    )
    out[P_RV] = active * (1.0 - p.rv_flow_loss * (y[Q_PV] - y[Q_TV])) + rest + around
    active, rest = chamber(
        y[V_LV] - y[SEPTUM], y[E_LV], p.lv_ees, p.lv_v0, p.lv_passive_a, p.lv_passive_k, p.lv_passive_v
    )
    out[P_LV] = active * (1.0 - p.lv_flow_loss * (y[Q_AV] - y[Q_MV])) + rest + around
    active, rest = chamber(
        y[V_RA], y[E_AT], p.ra_ees, p.ra_v0, p.ra_passive_a, p.ra_passive_k, p.ra_passive_v
    )
    out[P_RA] = active + rest + around
    active, rest = chamber(
        y[V_LA], y[E_AT], p.la_ees, p.la_v0, p.la_passive_a, p.la_passive_k, p.la_passive_v
    )
    out[P_LA] = active + rest + around
    out[P_PERI] = around
    out[P_PA] = y[V_P1] / p.pul_compliance_1 + chest + p.pul_impedance * y[Q_PV]
    out[P_AO] = y[V_S1] / p.sys_compliance_1 + chest + p.sys_impedance * y[Q_AV]
    out[P_CV] = y[V_SC] / p.sys_compliance_c + chest
    out[P_PVEIN] = y[V_PV] / p.pul_compliance_v + chest
    out[O_V_RV], out[O_V_LV], out[O_V_RA] = y[V_RV], y[V_LV], y[V_RA]
    out[O_Q_PV], out[O_Q_TV], out[O_Q_AV], out[O_E_RV] = y[Q_PV], y[Q_TV], y[Q_AV], y[E_RV]
    total = 0.0
    for i in range(VOLUMES):
        total += y[i]
    out[O_VOLUME] = total


@inlined  # a call would hand over every parameter one by one, four times a step
def derivative(y, p, drive, chest, cava, out, dy):
    """dy/dt. `drive`: (on, off, strength) of RV, LV and atria; `cava` multiplies the caval resistance."""
    pressures(y, p, chest, out)
    p1 = y[V_P1] / p.pul_compliance_1 + chest
    p2 = y[V_P2] / p.pul_compliance_2 + chest
    s1 = y[V_S1] / p.sys_compliance_1 + chest
    s2 = y[V_S2] / p.sys_compliance_2
    vein = y[V_SV] / p.sys_compliance_v

    dy[Q_TV], dy[Z_TV] = valve(
        y[Q_TV], y[Z_TV], p.tv_area, p.tv_leak, p.tv_length, p.tv_open_rate, p.tv_close_rate,
        out[P_RA] - out[P_RV], 0.0,
    )  # fmt: skip
    dy[Q_PV], dy[Z_PV] = valve(
        y[Q_PV], y[Z_PV], p.pv_area, p.pv_leak, p.pv_length, p.pv_open_rate, p.pv_close_rate,
        out[P_RV] - p1, p.pul_impedance,
    )  # fmt: skip
    dy[Q_MV], dy[Z_MV] = valve(
        y[Q_MV], y[Z_MV], p.mv_area, p.mv_leak, p.mv_length, p.mv_open_rate, p.mv_close_rate,
        out[P_LA] - out[P_LV], 0.0,
    )  # fmt: skip
    dy[Q_AV], dy[Z_AV] = valve(
        y[Q_AV], y[Z_AV], p.av_area, p.av_leak, p.av_length, p.av_open_rate, p.av_close_rate,
        out[P_LV] - s1, p.sys_impedance,
    )  # fmt: skip
    dy[Q_P] = (p1 - p2 - p.pul_resistance_1 * y[Q_P]) / p.pul_inertance
    dy[Q_S] = (s1 - s2 - p.sys_resistance_1 * y[Q_S]) / p.sys_inertance
    lung = (p2 - out[P_PVEIN]) / p.pul_resistance
    into_la = (out[P_PVEIN] - out[P_LA]) / p.pul_resistance_v
    body = (s2 - vein) / p.sys_resistance
    cava_flow = (vein - out[P_CV]) / (p.sys_resistance_v * cava)
    into_ra = (out[P_CV] - out[P_RA]) / p.sys_resistance_c

    dy[V_RA] = into_ra - y[Q_TV]
    dy[V_RV] = y[Q_TV] - y[Q_PV]
    dy[V_P1] = y[Q_PV] - y[Q_P]
    dy[V_P2] = y[Q_P] - lung
    dy[V_PV] = lung - into_la
    dy[V_LA] = into_la - y[Q_MV]
    dy[V_LV] = y[Q_MV] - y[Q_AV]
    dy[V_S1] = y[Q_AV] - y[Q_S]
    dy[V_S2] = y[Q_S] - body
    dy[V_SV] = body - cava_flow
    dy[V_SC] = cava_flow - into_ra

    stiff = p.septum_stiff_rest + y[E_LV] * (p.septum_stiff_active - p.septum_stiff_rest)
    dy[SEPTUM] = (out[P_LV] - out[P_RV] - stiff * y[SEPTUM]) / p.septum_viscosity
    dy[E_RV] = drive[0] * (drive[2] - y[E_RV]) / p.rv_rise - drive[1] * y[E_RV] / p.rv_tau
    dy[E_LV] = drive[3] * (drive[5] - y[E_LV]) / p.lv_rise - drive[4] * y[E_LV] / p.lv_tau
    dy[E_AT] = drive[6] * (drive[8] - y[E_AT]) / p.ra_rise - drive[7] * y[E_AT] / p.ra_tau


@compiled
def switched(t, k, onsets, length, release, past):
    """How far activation is switched on, and relaxation, `t` seconds on the clock of the beats.

    `k` is the last beat with an onset before t, -1 for none; `past` how far relaxation had come when
    that beat began.
    """
    if k < 0:
        return 0.0, 1.0
    since = t - onsets[k]
    begun = step_up(since / ONSET_S)
    over = step_up((since - length[k]) / release)
    return begun * (1.0 - over), past * (1.0 - begun) + over


@compiled
def last_before(t, k, onsets):
    """The last beat whose onset is not after t, searching on from k."""
    while k + 1 < onsets.size and onsets[k + 1] <= t:
        k += 1
    return k


@compiled
def drives(t, p, place, past, onsets, strengths, lengths, lv_lengths, atrial, atrial_lengths, drive):
    """Fill `drive` for time t; `place` and `past` (3,) remember the beat of RV, LV and atria."""
    for which in range(3):
        if which == 0:
            shifted, times, length, release = t - p.rv_delay_s, onsets, lengths, RELEASE_S
        elif which == 1:
            shifted, times, length, release = t, onsets, lv_lengths, RELEASE_S
        else:
            shifted, times, length, release = t, atrial, atrial_lengths, RELEASE_ATRIUM_S
        k = last_before(shifted, place[which], times)
        if k != place[which]:
            _, past[which] = switched(times[k], place[which], times, length, release, past[which])
            place[which] = k
        on, off = switched(shifted, k, times, length, release, past[which])
        drive[3 * which], drive[3 * which + 1] = on, off
        drive[3 * which + 2] = strengths[k] if which < 2 and k >= 0 else 1.0


@compiled
def integrate(
    y, p, onsets, strengths, lengths, lv_lengths, atrial, atrial_lengths, chest, cava, start, dt, per
):
    """Classical fourth-order Runge-Kutta at a fixed step.

    `y` (25,) is the state at the first node and is changed to that at the last. `chest` and `cava` (n,)
    are given at the nodes, straight lines between; `per` steps of `dt` lead from node to node. Returns
    the outputs at the nodes, (n, 17). Two evaluations share each end of a step, so the clock of
    beats only moves forward.
    """
    n = chest.size
    result = np.empty((n, OUTPUTS))
    k1, k2, k3, k4 = np.empty(STATES), np.empty(STATES), np.empty(STATES), np.empty(STATES)
    z, out, d0, d1, d2 = np.empty(STATES), np.empty(OUTPUTS), np.empty(9), np.empty(9), np.empty(9)
    place = np.full(3, -1, np.int64)
    past = np.ones(3)
    drives(start, p, place, past, onsets, strengths, lengths, lv_lengths, atrial, atrial_lengths, d0)
    pressures(y, p, chest[0], out)
    result[0] = out
    for node in range(n - 1):
        for j in range(per):
            t = start + (node * per + j) * dt
            a, b = j / per, (j + 1) / per
            c0 = chest[node] + a * (chest[node + 1] - chest[node])
            c2 = chest[node] + b * (chest[node + 1] - chest[node])
            r0 = cava[node] + a * (cava[node + 1] - cava[node])
            r2 = cava[node] + b * (cava[node + 1] - cava[node])
            c1, r1 = 0.5 * (c0 + c2), 0.5 * (r0 + r2)
            drives(t + 0.5 * dt, p, place, past, onsets, strengths, lengths, lv_lengths, atrial,
                   atrial_lengths, d1)  # fmt: skip
            drives(t + dt, p, place, past, onsets, strengths, lengths, lv_lengths, atrial,
                   atrial_lengths, d2)  # fmt: skip
            derivative(y, p, d0, c0, r0, out, k1)
            for i in range(STATES):
                z[i] = y[i] + 0.5 * dt * k1[i]
            derivative(z, p, d1, c1, r1, out, k2)
            for i in range(STATES):
                z[i] = y[i] + 0.5 * dt * k2[i]
            derivative(z, p, d1, c1, r1, out, k3)
            for i in range(STATES):
                z[i] = y[i] + dt * k3[i]
            derivative(z, p, d2, c2, r2, out, k4)
            for i in range(STATES):
                y[i] += dt / 6.0 * (k1[i] + 2.0 * (k2[i] + k3[i]) + k4[i])
            d0[:] = d2
        pressures(y, p, chest[node + 1], out)
        result[node + 1] = out
    return result
