"""Before class: plan, register, rota, workbooks to be filled, sets to practise with."""
