"""The cautions every report carries."""

from __future__ import annotations

#: Common practice, no source; local codes and licensed practice come first.
CAUTIONS = (
    "Local codes and licensed practice come first; what follows is common practice.",
    "The secondary carries tens of kilovolts and the primary up to about 450 V. Both can be live with the "
    "engine stopped and the ignition on.",
    "Keep people with pacemakers or other implanted devices away from a running ignition system.",
    "Never disconnect a lead on a running engine, and never crank with an open secondary: give the coil a "
    "spark tester's path.",
    "Know the input rating of the recorder, connect its earth first, and use only a pickup rated for the "
    "voltage.",
    "Fuel vapour: keep sparks away from fuel, and air enclosed spaces. On boats run the bilge ventilation "
    "first, watch for carbon monoxide, and use ignition-protected equipment only.",
    "Keep hands, clothing and cables clear of moving and hot parts.",
)
SUGGESTION_NOTE = (
    "Conditions are suggestions of where to look. They are read from the pattern alone; a part is judged by "
    "inspecting it."
)
SIMULATED_NOTE = (
    "The model that suggests conditions was trained on simulated engines only. How often it is right on a "
    "real engine has not been measured."
)
