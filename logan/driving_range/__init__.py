"""How far the vehicle will go, and how sure that is, from a plan and from a fit alike.

It knows the model, the sensors, the metrics and the thermal network, but reads no file and shows nothing. Begin with
``standpoint.py``, which holds everything that a prediction rests on, and then ``prediction.py``.
"""
