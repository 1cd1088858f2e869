"""What a virtual circulation is made of: one frozen record of numbers, each with its unit and source."""

from __future__ import annotations

from collections import namedtuple
from dataclasses import astuple, dataclass, fields, replace

import numpy as np

from discovery.problems import InputError, Problem

VOLUMES = ("volume", "effusion", "peri_v", "peri_s")
STIFFNESSES = ("septum_stiff_active", "septum_stiff_rest", "septum_viscosity")


@dataclass(frozen=True, kw_only=True)
class Physiology:
    """Parameters of the closed loop for an adult of 1.85 m2 at rest; the equations are in `circulation`.

    Volumes of vessels are stressed volumes (above the unstressed one). Where a source gives a range,
    the value lies in it; "memory" marks a value not looked up again, "fitted" one that was chosen so that
    the resting pressures and volumes fall inside the published normal ranges that the tests list.

    Ventricles and atria (`rv_`, `lv_`, `ra_`, `la_`)
        ees mmHg/mL, v0 mL : slope and intercept of the line P = ees (V - v0) at full activation.
            RV 0.5 to 0.6: normal coupling of 1.5 to 2 (memory) at an arterial elastance of 0.3.
            LV 2.0 to 2.5: Senzaki H et al., Circulation 1996;94:2497 (memory). Atria: fitted.
        passive_a mmHg, passive_k 1/mL, passive_v mL : P = a (exp(k (V - v)) - 1) at rest. Form: Glantz SA,
            Parmley WW, Circ Res 1978;42:171 (memory); values fitted.
        tau s : time constant of the fall of activation, hence of isovolumic pressure. RV 0.030 to 0.040 in
            the normal heart, longer with pressure load: Murch SD et al., Pulm Circ 2015;5:370.
        rise s : time constant of the rise of activation; fitted to dP/dt max.
        systole s : from the onset of activation to the start of relaxation at 72 beats/min; fitted to QS2.
        flow_loss s/mL : share of isovolumic pressure lost to each mL/s of outflow. Shroff SG, Janicki JS,
            Weber KT, Am J Physiol 1985;249:H358 (memory).
    Valves (`tv_`, `pv_`, `mv_`, `av_`)
        area, leak cm2, length cm : open area, area that stays open, length of the moving column.
        open_rate, close_rate 1/(mmHg s) : speed of the leaflets. All by Mynard JP, Davidson MR, Penny DJ,
            Smolich JJ, Int J Numer Method Biomed Eng 2012;28:626 (equations; areas from memory).
    Pulmonary bed (`pul_`)
        impedance mmHg.s/mL : characteristic, 0.02 to 0.04 (memory: 20 to 50 dyn.s/cm5 in health).
        compliance_1, compliance_2 mL/mmHg : proximal and distal arteries; the sum is near stroke volume
            over pulse pressure in health, 4 to 8.
        inertance mmHg.s2/mL, resistance_1 mmHg.s/mL : of the column between them; fitted to the notch.
        resistance mmHg.s/mL : 0.06 to 0.12 (1 to 2 WU): Kovacs G et al., Eur Respir J 2009;34:888.
        compliance_v mL/mmHg, resistance_v mmHg.s/mL : veins into the left atrium; fitted.
    Systemic bed (`sys_`)
        As above; resistance 0.9 to 1.1 (15 to 18 WU), compliance of 1.2 to 2 in all (memory).
        compliance_v, compliance_c : veins outside and inside the chest; resistance_v, resistance_c :
            from the first to the second, and into the right atrium. Fitted to a mean systemic filling
            pressure of 7 to 9 mmHg and a gradient for venous return of 4 to 5 (Guyton, memory).
    Around the heart
        septum_stiff_active, septum_stiff_rest mmHg/mL, septum_viscosity mmHg.s/mL : elastance of the
            septum. Two-compartment septum: Santamore WP, Burkhoff D, Am J Physiol 1991;260:H146 (memory).
        peri_p mmHg, peri_v mL, peri_s mL : pericardial pressure = p exp((V - v) / s) of the volume in it.
            Exponential form: Holt JP 1970 (memory); values fitted.
        effusion mL : fluid in the pericardium.
    volume mL : stressed blood volume with the whole of the chambers.
    pr_s s : from atrial to ventricular activation. rv_delay_s s : by which the RV starts after the LV.
    """

    rv_ees: float = 0.55
    rv_v0: float = 22.0
    rv_passive_a: float = 1.3
    rv_passive_k: float = 0.0228
    rv_passive_v: float = 55.0
    rv_tau: float = 0.034
    rv_rise: float = 0.105
    rv_systole: float = 0.28
    rv_flow_loss: float = 0.0008
    lv_ees: float = 2.4
    lv_v0: float = 8.0
    lv_passive_a: float = 1.1
    lv_passive_k: float = 0.0285
    lv_passive_v: float = 35.0
    lv_tau: float = 0.036
    lv_rise: float = 0.1
    lv_systole: float = 0.28
    lv_flow_loss: float = 0.0004
    ra_ees: float = 0.16
    ra_v0: float = 8.0
    ra_passive_a: float = 1.3
    ra_passive_k: float = 0.034
    ra_passive_v: float = 14.0
    ra_tau: float = 0.030
    ra_rise: float = 0.040
    ra_systole: float = 0.085
    la_ees: float = 0.38
    la_v0: float = 8.0
    la_passive_a: float = 1.6
    la_passive_k: float = 0.034
    la_passive_v: float = 14.0
    tv_area: float = 6.0
    tv_leak: float = 0.0
    tv_length: float = 1.5
    tv_open_rate: float = 40.0
    tv_close_rate: float = 40.0
    pv_area: float = 4.2
    pv_leak: float = 0.0
    pv_length: float = 1.8
    pv_open_rate: float = 30.0
    pv_close_rate: float = 22.0
    mv_area: float = 5.0
    mv_leak: float = 0.0
    mv_length: float = 1.8
    mv_open_rate: float = 40.0
    mv_close_rate: float = 40.0
    av_area: float = 3.8
    av_leak: float = 0.0
    av_length: float = 1.8
    av_open_rate: float = 25.0
    av_close_rate: float = 22.0
    pul_impedance: float = 0.02
    pul_compliance_1: float = 2.6
    pul_compliance_2: float = 4.2
    pul_inertance: float = 0.0012
    pul_resistance_1: float = 0.016
    pul_resistance: float = 0.065
    pul_compliance_v: float = 12.0
    pul_resistance_v: float = 0.012
    sys_impedance: float = 0.035
    sys_compliance_1: float = 0.75
    sys_compliance_2: float = 0.95
    sys_inertance: float = 0.0012
    sys_resistance_1: float = 0.04
    sys_resistance: float = 0.95
    sys_compliance_v: float = 75.0
    sys_resistance_v: float = 0.055
    sys_compliance_c: float = 8.0
    sys_resistance_c: float = 0.007
    septum_stiff_active: float = 40.0
    septum_stiff_rest: float = 3.0
    septum_viscosity: float = 0.10
    peri_p: float = 1.0
    peri_v: float = 390.0
    peri_s: float = 65.0
    effusion: float = 0.0
    volume: float = 1500.0
    pr_s: float = 0.150
    rv_delay_s: float = 0.0

    def __post_init__(self) -> None:
        problems = []
        for item in fields(self):
            value = getattr(self, item.name)
            least_is_zero = item.name.endswith(("_leak", "_flow_loss", "_v0", "_passive_v", "_delay_s"))
            if item.name == "effusion" or least_is_zero:
                good, wanted = np.isfinite(value) and value >= 0, "a number of 0 or more"
            else:
                good, wanted = np.isfinite(value) and value > 0, "a number above 0"
            if not good:
                problems.append(Problem(file="physiology", column=item.name, found=str(value), wanted=wanted))
        if problems:
            raise InputError(problems)

    def for_size(self, size: float) -> Physiology:
        """The same heart and vessels in a body `size` times as large.

        Volumes, compliances and valve areas grow with size, elastances, stiffness and resistances fall,
        so that pressures and the shape of the waves stay.
        """
        grown = {}
        for item in fields(self):
            value = getattr(self, item.name)
            name = item.name
            if (
                name in VOLUMES
                or "compliance" in name
                or name.endswith(("_v0", "_passive_v", "_area", "_leak"))
            ):
                grown[name] = value * size
            elif (
                name in STIFFNESSES
                or name.endswith(("_ees", "_passive_k", "_flow_loss"))
                or any(part in name for part in ("resistance", "impedance", "inertance"))
            ):
                grown[name] = value / size
        return replace(self, **grown)

    def packed(self) -> Packed:
        """The same numbers as a plain tuple with names, which compiled loops read."""
        return Packed(*(float(value) for value in astuple(self)))


Packed = namedtuple("Packed", [item.name for item in fields(Physiology)])  # type: ignore[misc]
